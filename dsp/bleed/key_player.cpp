#include "bleed/key_player.h"
#include "bleed/kit_key_learn_response.h"
#include <algorithm>
#include <cmath>
#include <utility>

namespace kitfold::dsp {

KeyPlayer::KeyPlayer(const KeyTake& take, KitKey& key)
    : take_(take), key_(key), waves_(take.steps() * take.mics()), heard_(take.mics()) {}

void KeyPlayer::learn_waveforms(KitKeyTable& table) {
    KitKeyTable changed;
    std::vector<std::size_t> mics;
    for (std::size_t m = 0; m < take_.mics(); ++m) {
        auto strokes = take_.strokes_of(m);
        if (heard_[m].strokes != strokes) {
            heard_[m] = {std::move(strokes), responses_to(m)};
            mics.push_back(m);
            for (const auto& b : heard_[m].bleed) changed.bleed.push_back(b);
        }
        for (const auto& b : heard_[m].bleed) table.bleed.push_back(b);
    }
    if (mics.empty()) return;
    key_.reset();
    key_.set(changed);
    for (std::size_t s = 0; s < take_.steps(); ++s) {
        key_.advance_waveforms(take_.at(s));
        for (const auto m : mics) waves_[s * take_.mics() + m] = key_.wave(m);
    }
}

std::vector<KitKeyTable::Bleed> KeyPlayer::responses_to(std::size_t m) const {
    std::vector<KitKeyTable::Bleed> out;
    if (!take_.drum_of(m)) return out;
    const auto taps = static_cast<std::size_t>(std::ceil(kResponseTaps * take_.rate_hz() / kResponseHz));
    std::vector<std::size_t> sources;
    for (std::size_t j = 0; j < take_.mics(); ++j)
        if (take_.speaks(j) && take_.drum_of(j) != take_.drum_of(m)) sources.push_back(j);
    const std::size_t late = take_.steps(take_.mic(m).delay_ms / 1000.0); // hits are timed behind it
    const auto found = learn_responses({take_.samples(), take_.mics()}, m, sources,
                                       take_.silent_steps(m, late), taps, take_.steps(kLeastSilenceS));
    for (std::size_t i = 0; i < sources.size(); ++i) {
        if (found[i].empty()) continue;
        std::vector<float> response(kResponseTaps);
        resample_response(found[i], take_.rate_hz(), response, kResponseHz);
        auto& path = out.emplace_back(KitKeyTable::Bleed{sources[i], m, {}});
        path.gain_db.fill(kOffDb);
        for (const float x : response)
            path.response.push_back(
                std::round(std::clamp(static_cast<double>(x), -kMostResponse, kMostResponse) * 1e4) / 1e4);
    }
    return out;
}

} // namespace kitfold::dsp
