// A snare whose wires are thrown off by a hard stroke, and come back later and louder than the attack was.
#include "hits/hits.h"
#include "synth/random.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>

using namespace kitfold::dsp;

namespace {

constexpr double kRate = 48'000.0, kSeconds = 12.0;
constexpr double kBack_s = 0.020; // of a 14 inch snare tuned low: 16 to 20 ms

struct Heard {
    double delay_s, head, stick, wires;
};

/// One stroke in a mic: a head with two modes, the stick, and the wires after it.
void strike(std::vector<float>& x, double at_s, double loud, const Heard& mic, WhiteNoise& noise) {
    const auto from = static_cast<std::size_t>((at_s + mic.delay_s) * kRate);
    const auto end = std::min(x.size(), from + static_cast<std::size_t>(0.4 * kRate));
    for (auto i = from; i < end; ++i) {
        const double t = static_cast<double>(i - from) / kRate, late = t - kBack_s;
        const auto mode = [&](double hz, double ms) {
            return std::sin(2.0 * std::numbers::pi * hz * t) * std::exp(-1000.0 * t / ms);
        };
        const double white = static_cast<double>(noise.next());
        double sum = mic.head * (mode(150.0, 40.0) + 0.5 * mode(330.0, 25.0));
        sum += mic.stick * white * std::exp(-t / 0.002);
        if (late > 0.0) sum += mic.wires * white * std::exp(-late / 0.05);
        x[i] += static_cast<float>(loud * sum);
    }
}

} // namespace

TEST_CASE("wires that come back after a hard stroke are no stroke", "[analysis]") {
    Random random(7);
    WhiteNoise noise(8);
    std::vector<double> times;
    for (double t = 0.5; t < kSeconds - 0.6; t += random.uniform(0.35, 0.7)) times.push_back(t);
    std::vector<std::vector<float>> samples;
    for (const Heard& mic : {Heard{0.0, 0.4, 0.01, 0.12}, Heard{0.0024, 0.1, 0.01, 0.03}}) {
        auto& x = samples.emplace_back(static_cast<std::size_t>(kSeconds * kRate));
        for (auto& v : x) v = 2e-5f * noise.next();
        Random hand(9);
        for (const double t : times) strike(x, t, hand.uniform(0.6, 1.0), mic, noise);
    }
    const auto take = take_of(kRate, {{"Snare top", Role::snare_top}, {"Overhead", Role::overhead_left}},
                              {samples[0], samples[1]});
    const auto hits = find_hits(take);
    CHECK(std::all_of(hits.begin(), hits.end(), [](const Hit& h) { return h.drum == Drum::snare; }));
    REQUIRE(hits.size() == times.size());
    for (std::size_t n = 0; n < hits.size(); ++n) CHECK(hits[n].time_s == Approx(times[n]).margin(0.003));
}
