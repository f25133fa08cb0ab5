// A snare's ring with ghost notes under it, and a kick whose beater leaves the head.
#include "core/windows.h"
#include "hits/ghosts.h"
#include "synth/random.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>

using namespace kitfold::dsp;

namespace {

constexpr double kRate = 48'000.0, kSeconds = 16.0;

/// Two modes, what a stick adds, and how long it takes to begin.
struct Head {
    double low_hz, high_hz, ring_s, stick, rise_s;
};
constexpr Head kSnare{190.0, 330.0, 0.05, 0.2, 1e-6};
// Higher modes of a kick that is let go: in a real snare's mic at the level of a ghost, 186 ms after the
// stroke.
constexpr Head kReleased{100.0, 135.0, 0.03, 0.0, 0.01};

void strike(std::vector<float>& x, double at_s, double loud, const Head& head, WhiteNoise& noise) {
    const auto from = static_cast<std::size_t>(at_s * kRate);
    for (auto i = from; i < std::min(x.size(), from + static_cast<std::size_t>(1.2 * kRate)); ++i) {
        const double t = static_cast<double>(i - from) / kRate;
        const auto mode = [&](double hz) {
            return std::sin(2.0 * std::numbers::pi * hz * t) * std::exp(-t / head.ring_s);
        };
        const double stick = head.stick * static_cast<double>(noise.next()) * std::exp(-t / 0.003);
        const double heads = mode(head.low_hz) + 0.9 * mode(head.high_hz);
        x[i] += static_cast<float>(loud * (raised_cosine(t / head.rise_s) * heads + stick));
    }
}

} // namespace

TEST_CASE("a ghost note under a ring is one, and what a kick's head does below it is none", "[analysis]") {
    WhiteNoise noise(5);
    std::vector<float> x(static_cast<std::size_t>(kSeconds * kRate));
    for (auto& v : x) v = 1e-5f * noise.next();
    std::vector<ClockedHit> hits;
    std::vector<double> ghosts;
    Random random(6);
    int n = 0;
    for (double t = 0.5; t < kSeconds - 1.5; t += random.uniform(0.6, 0.8), ++n) {
        const double loud = n % 3 == 1 ? 0.05 : 0.5;
        strike(x, t, loud, kSnare, noise);
        hits.push_back({{t, Drum::snare, 20.0 * std::log10(loud), false}, t});
        if (n % 3 == 1) strike(x, t + 0.16, 0.1, kReleased, noise);
        if (n % 3 == 2) strike(x, ghosts.emplace_back(t + 0.12), 0.04, kSnare, noise);
    }
    const auto take = take_of(kRate, {{"Snare top", Role::snare_top}}, {x});
    const auto found = ghosts_under_ring(take, hits, std::vector<double>{0.0});
    REQUIRE(found.size() == ghosts.size());
    for (std::size_t g = 0; g < ghosts.size(); ++g) CHECK(found[g].time_s == Approx(ghosts[g]).margin(0.003));
}
