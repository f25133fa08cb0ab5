// Which strokes of a drum speak for a mic. The sounds are made here.
#include "pairs/strokes.h"
#include "synth/random.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>

using namespace kitfold;

namespace {

constexpr double kRate = 48'000.0;
constexpr std::size_t kStrokes = 8;

/// A deadened kick of 50 Hz without a click, half a second apart; cut off at `ceiling`.
std::vector<float> round_kick(double ceiling) {
    std::vector<float> x(static_cast<std::size_t>((0.5 * kStrokes + 0.5) * kRate));
    dsp::WhiteNoise noise(1);
    for (auto& v : x) v = 1e-4f * noise.next();
    for (std::size_t n = 0; n < kStrokes; ++n) {
        const auto from = static_cast<std::size_t>(0.5 * static_cast<double>(n + 1) * kRate);
        for (std::size_t i = 0; i < static_cast<std::size_t>(0.4 * kRate) && from + i < x.size(); ++i) {
            const double t = static_cast<double>(i) / kRate;
            const double wave = 0.9 * std::sin(2.0 * std::numbers::pi * 50.0 * t) * std::exp(-t / 0.15);
            x[from + i] += static_cast<float>(wave);
        }
    }
    for (auto& v : x) v = std::clamp(v, static_cast<float>(-ceiling), static_cast<float>(ceiling));
    return x;
}

std::size_t unclipped(double ceiling) {
    const auto x = round_kick(ceiling);
    const auto take = dsp::take_of(kRate, {{"Kick out", dsp::Role::kick_out}}, {x});
    std::vector<dsp::Hit> hits;
    for (std::size_t n = 0; n < kStrokes; ++n)
        hits.push_back({0.5 * static_cast<double>(n + 1), dsp::Drum::kick, -1.0, true});
    const std::size_t mic = 0;
    const dsp::DrumStrokes strokes(take, hits, dsp::Drum::kick, mic, std::span(&mic, 1));
    REQUIRE(strokes.size() == kStrokes);
    return strokes.unclipped(mic);
}

} // namespace

TEST_CASE("a low drum's round top is no clipped one") {
    CHECK(unclipped(1.0) == kStrokes);
    CHECK(unclipped(0.7) == 0);  // 1.7 dB too hot at its first top
    CHECK(unclipped(0.81) == 0); // half a dB
}
