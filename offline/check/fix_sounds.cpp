#include "offline/check/fix_sounds.h"
#include "core/units.h"
#include "offline/audio/meters.h"
#include "offline/check/words.h"
#include "offline/session/strips.h"
#include "offline/session/take_files.h"
#include <algorithm>
#include <cmath>

namespace kitfold::offline {
namespace {

constexpr double kLongest_s = 2.5, kShortest_s = 0.8;
constexpr double kBytes = 3.2e6;                    // of all sounds in the page
constexpr double kBytesPerSample = 2.0 * 8.0 / 3.0; // two sides, 16 bits, base 64

/// The two mics alone, their strips without what opens and shuts.
Session pair_alone(const Session& session, const dsp::Pair& pair) {
    Session out;
    for (const auto m : {pair.a, pair.b}) {
        auto mic = session.mics[m];
        mic.gate.reset(), mic.damp.reset();
        mic.mix.mute = mic.mix.solo = false;
        out.mics.push_back(std::move(mic));
    }
    return out;
}

std::int64_t busiest(const std::vector<dsp::Hit>& hits, dsp::Drum drum, double seconds, double rate_hz) {
    double best_s = 0.0;
    std::ptrdiff_t most = 0;
    for (const auto& first : hits) {
        if (first.drum != drum) continue;
        const auto count = std::count_if(hits.begin(), hits.end(), [&](const dsp::Hit& h) {
            return h.drum == drum && h.time_s >= first.time_s && h.time_s < first.time_s + seconds - 0.4;
        });
        if (count > most) most = count, best_s = std::max(0.0, first.time_s - 0.1);
    }
    return std::int64_t(best_s * rate_hz);
}

/// Mono; empty where the mix refuses the session. @param from sample of the take
std::vector<float> rendered(const Session& session, const dsp::Take& take, const dsp::Pair& pair,
                            std::int64_t from, std::size_t frames) {
    dsp::KitMix mix;
    if (mix.prepare(take.rate_hz, mix_settings(session).strips, session.sum, {}, 0.0) != nullptr) return {};
    const auto warm_up = std::size_t(0.5 * take.rate_hz); // of the filters
    const auto total = warm_up + frames + mix.latency();
    std::vector<float> a(total), b(total), left(total), right(total);
    take.read(pair.a, from - std::int64_t(warm_up), a);
    take.read(pair.b, from - std::int64_t(warm_up), b);
    const float* mics[] = {a.data(), b.data()};
    mix.process(mics, left.data(), right.data(), total);
    std::vector<float> out;
    for (auto n = warm_up + mix.latency(); n < total; ++n) out.push_back(0.5f * (left[n] + right[n]));
    return out;
}

double loudness_lufs(const std::vector<float>& sound, double rate_hz) {
    StereoMeter meter(int(std::lround(rate_hz)));
    meter.add(sound.data(), sound.data(), sound.size());
    return meter.figures().loudness_lufs;
}

std::vector<std::int16_t> pcm(const std::vector<float>& sound, double gain, double rate_hz) {
    const double fade = 0.01 * rate_hz; // the ends of the loop meet in silence
    std::vector<std::int16_t> out;
    for (std::size_t n = 0; n < sound.size(); ++n) {
        const double edge = std::min({1.0, double(n) / fade, double(sound.size() - 1 - n) / fade});
        const double value = edge * gain * double(sound[n]) * 32'768.0;
        out.push_back(std::int16_t(std::lround(std::clamp(value, -32'768.0, 32'767.0))));
    }
    return out;
}

/// The louder one comes down to the softer one's loudness, both under full scale.
bool match(const std::vector<float>& before, const std::vector<float>& after, double rate_hz, FixSound& out) {
    const double a_lufs = loudness_lufs(before, rate_hz), b_lufs = loudness_lufs(after, rate_hz);
    if (!std::isfinite(a_lufs) || !std::isfinite(b_lufs)) return false;
    double a = dsp::gain_from_db(std::min(0.0, b_lufs - a_lufs)),
           b = dsp::gain_from_db(std::min(0.0, a_lufs - b_lufs));
    double peak = 1.0;
    for (const float x : before) peak = std::max(peak, a * std::abs(double(x)));
    for (const float x : after) peak = std::max(peak, b * std::abs(double(x)));
    a /= peak, b /= peak;
    out.before = pcm(before, a, rate_hz), out.after = pcm(after, b, rate_hz);
    return true;
}

} // namespace

std::vector<FixSound> fix_sounds(const Session& session, const CheckResult& r) {
    std::vector<std::size_t> pairs;
    for (const auto& v : verdicts(r))
        if (v.pair && r.pairs[*v.pair].drum) pairs.push_back(*v.pair);
    if (pairs.empty()) return {};
    const auto most = std::size_t(kBytes / (kShortest_s * r.rate_hz * kBytesPerSample));
    pairs.resize(std::min(pairs.size(), most));
    const double seconds =
        std::min(kLongest_s, kBytes / (double(pairs.size()) * r.rate_hz * kBytesPerSample));
    TakeFiles files(session);
    const auto& take = files.take();
    const auto fixed = with_fixes(session, r.fixes);
    std::vector<FixSound> out;
    for (const auto p : pairs) {
        const auto& pair = r.pairs[p];
        const auto from = busiest(r.hits, *pair.drum, seconds, take.rate_hz);
        const auto frames = std::size_t(seconds * take.rate_hz);
        FixSound sound{p, {}, {}};
        if (match(rendered(pair_alone(session, pair), take, pair, from, frames),
                  rendered(pair_alone(fixed, pair), take, pair, from, frames), take.rate_hz, sound))
            out.push_back(std::move(sound));
    }
    files.throw_if_failed();
    return out;
}

} // namespace kitfold::offline
