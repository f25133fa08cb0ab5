#include "bleed/key_take.h"
#include "bleed/kit_key_learn.h"
#include <algorithm>
#include <array>

namespace kitfold::dsp {
namespace {

constexpr double kOwnSeconds = 0.6;      // after an own hit all that sounds is taken for its own
constexpr double kBusyOwnSeconds = 0.25; // where a drum is struck so often that hardly anything would be left

} // namespace

KeyTake::KeyTake(const Take& take, std::span<const Hit> hits, const KitKey& key) : mics_(take.mics) {
    for (const auto& mic : mics_) drums_.push_back(own_drum(mic.role));
    read(take, key);
    place(hits);
}

void KeyTake::read(const Take& take, const KitKey& key) {
    const std::size_t step = key.step();
    rate_hz_ = key.step_rate_hz();
    steps_ = steps(std::min(take.seconds(), kLearnSeconds));
    samples_.assign(steps_ * mics(), 0.0f);
    constexpr std::size_t kBlockSteps = 1024; // one call of read() for many
    std::vector<float> block(kBlockSteps * step);
    for (std::size_t m = 0; m < mics(); ++m) {
        float carry = 0.0f;
        for (std::size_t at = 0; at < steps_; ++at) {
            const std::size_t in_block = at % kBlockSteps;
            if (in_block == 0) take.read(m, static_cast<std::int64_t>(at * step), block);
            samples_[at * mics() + m] = key.low(&block[in_block * step], carry);
        }
    }
}

bool KeyTake::speaks(std::size_t mic) const {
    const auto drum = drum_of(mic);
    return drum && own_mic(mics_, *drum) == mic;
}

void KeyTake::set_hits(std::vector<GridHit> hits) {
    hits_ = std::move(hits);
    look_round();
}

void KeyTake::place(std::span<const Hit> hits) {
    for (const auto& h : hits) {
        const auto own = own_mic(mics_, h.drum);
        const double late_s = own ? mics_[*own].delay_ms / 1000.0 : 0.0;
        const auto step = steps(std::max(0.0, h.time_s + late_s));
        if (step < steps_) hits_.push_back({step, own.value_or(mics_.size()), h.drum});
    }
    look_round();
}

void KeyTake::look_round() {
    std::sort(hits_.begin(), hits_.end(), [](auto& a, auto& b) { return a.step < b.step; });
    std::array<std::size_t, kDrumCount> count{};
    for (auto& h : hits_) {
        if (!h.guess) h.number = count[static_cast<std::size_t>(h.drum)]++;
        h.until = std::min(h.step + steps(0.2), steps_);
        h.clean = true;
        for (const auto& o : hits_) {
            if (&o == &h || o.step + steps(0.06) < h.step || o.step > h.step + steps(0.2)) continue;
            if (o.drum == h.drum && o.step >= h.step) {
                h.until = std::min(h.until, std::max(o.step, h.step + 1));
                continue;
            }
            if (o.step < h.step + steps(0.02))
                h.clean = false;
            else
                h.until = std::min(h.until, o.step - steps(0.003));
        }
    }
    busy_ = busy_steps();
}

std::size_t KeyTake::hits_of(Drum drum) const {
    return static_cast<std::size_t>(std::count_if(
        hits_.begin(), hits_.end(), [drum](const GridHit& h) { return h.drum == drum && !h.guess; }));
}

bool KeyTake::listed(Drum drum, std::size_t step) const {
    return std::any_of(hits_.begin(), hits_.end(), [&](const GridHit& h) {
        return h.drum == drum && h.step + steps(0.06) > step && h.step < step + steps(0.06);
    });
}

std::vector<std::size_t> KeyTake::strokes_of(std::size_t mic) const {
    std::vector<std::size_t> out;
    for (const auto& h : hits_)
        if (drum_of(mic) == h.drum) out.push_back(h.step);
    return out;
}

std::vector<std::vector<Own>> KeyTake::busy_steps() const {
    std::vector<std::vector<Own>> busy(mics(), std::vector<Own>(steps_, kSilent));
    for (const auto& h : hits_)
        for (std::size_t m = 0; m < mics(); ++m)
            if (drum_of(m) == h.drum) {
                const std::size_t from = h.step - std::min(h.step, steps(0.01));
                for (std::size_t s = from; s < std::min(h.step + steps(kOwnSeconds), steps_); ++s)
                    busy[m][s] = s < h.step + steps(0.06) ? kHit : std::max(busy[m][s], kRings);
            }
    return busy;
}

std::vector<char> KeyTake::silent_steps(std::size_t mic, std::size_t late) const {
    std::vector<char> silent;
    for (const double own_s : {kOwnSeconds, kBusyOwnSeconds}) {
        silent.assign(steps_, 1);
        for (const auto& h : hits_)
            if (drum_of(mic) == h.drum) {
                const std::size_t at = h.step - std::min(h.step, late + steps(0.01));
                const std::size_t end = std::min(at + steps(own_s), steps_);
                std::fill(silent.begin() + static_cast<std::ptrdiff_t>(at),
                          silent.begin() + static_cast<std::ptrdiff_t>(end), 0);
            }
        if (std::count(silent.begin(), silent.end(), 1) > static_cast<std::ptrdiff_t>(steps(kLeastSilenceS)))
            break;
    }
    return silent;
}

} // namespace kitfold::dsp
