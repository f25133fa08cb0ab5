// Sums of decaying cosines against their own formula. Ratios of the ideal membrane: zeros of the Bessel
// functions, Abramowitz and Stegun, table 9.5, over 2.4048 (as in Fletcher and Rossing, The Physics of
// Musical Instruments, 18.1).
#include "ring/modes.h"
#include <catch2/catch.hpp>
#include <numbers>
#include <random>

using namespace kitfold::dsp;

namespace {

struct Truth {
    double hz, ring_ms, amplitude;
};

std::vector<float> ringing(const std::vector<Truth>& truth, double rate_hz, double seconds, double noise,
                           unsigned seed) {
    std::mt19937 random(seed);
    std::normal_distribution<double> gauss;
    std::uniform_real_distribution<double> phase(0.0, 2.0 * std::numbers::pi);
    std::vector<double> sum(std::size_t(rate_hz * seconds), 0.0);
    for (const auto& mode : truth) {
        const double phi = phase(random), alpha = 3000.0 * std::log(10.0) / mode.ring_ms;
        for (std::size_t n = 0; n < sum.size(); ++n) {
            const double t = double(n) / rate_hz;
            sum[n] +=
                mode.amplitude * std::exp(-alpha * t) * std::cos(2.0 * std::numbers::pi * mode.hz * t + phi);
        }
    }
    std::vector<float> out(sum.size());
    for (std::size_t n = 0; n < sum.size(); ++n) out[n] = float(sum[n] + noise * gauss(random));
    return out;
}

} // namespace

TEST_CASE("modes of a membrane come back at every rate", "[analysis]") {
    const double rate_hz = GENERATE(8e3, 44.1e3, 48e3, 96e3, 192e3);
    const std::vector<Truth> truth{{110.0, 700, 1.0},          {110.0 * 1.593, 500, 0.5},
                                   {110.0 * 2.136, 400, 0.4},  {110.0 * 2.295, 350, 0.3},
                                   {110.0 * 2.653, 300, 0.25}, {110.0 * 2.917, 280, 0.2}};
    const auto x = ringing(truth, rate_hz, 0.45, 1e-4, 1);
    for (const auto& mode : truth) {
        CAPTURE(rate_hz, mode.hz);
        const auto found = find_modes(x, rate_hz, mode.hz + 2.0, 8.0);
        REQUIRE_FALSE(found.empty());
        CHECK(found[0].hz == Approx(mode.hz).epsilon(0).margin(0.1));
        CHECK(found[0].ring_ms() == Approx(mode.ring_ms).epsilon(0).margin(0.03 * mode.ring_ms));
        CHECK(found[0].amplitude == Approx(mode.amplitude).epsilon(0).margin(0.03 * mode.amplitude));
    }
}

TEST_CASE("short and long rings, high and low, keep their T60 within 5 % at 40 dB over noise", "[analysis]") {
    const double ring_ms = GENERATE(100.0, 250.0, 900.0, 2500.0);
    const double hz = GENERATE(42.0, 180.0, 1400.0);
    const unsigned seed = GENERATE(1u, 2u, 3u);
    // Noise that is 40 dB under the mode within 300 Hz is 18 dB higher over the whole 24 kHz.
    const auto x = ringing({{hz, ring_ms, 1.0}}, 48e3, 0.5, 0.0063, seed);
    const auto found = find_modes(x, 48e3, hz, 30.0);
    CAPTURE(ring_ms, hz);
    REQUIRE_FALSE(found.empty());
    CHECK(found[0].hz == Approx(hz).epsilon(0).margin(0.5));
    CHECK(found[0].ring_ms() == Approx(ring_ms).epsilon(0).margin(0.05 * ring_ms));
}

TEST_CASE("a split pair of modes 6 Hz apart is told apart", "[analysis]") {
    const auto x = ringing({{200.0, 500, 1.0}, {206.0, 400, 0.8}}, 48e3, 0.5, 1e-4, 7);
    auto found = find_modes(x, 48e3, 203.0, 20.0);
    REQUIRE(found.size() >= 2);
    if (found[0].hz > found[1].hz) std::swap(found[0], found[1]);
    CHECK(found[0].ring_ms() == Approx(500).epsilon(0).margin(25));
    CHECK(found[1].ring_ms() == Approx(400).epsilon(0).margin(20));
}

TEST_CASE("noise and hum are no modes", "[analysis]") {
    const auto noise = ringing({}, 48e3, 0.5, 0.1, 3);
    for (const auto& mode : find_modes(noise, 48e3, 200.0, 30.0)) CHECK(mode.range_db < 15.0);
    const auto hum = ringing({{50.0, 1e9, 0.1}}, 48e3, 0.5, 1e-5, 3);
    CHECK(find_modes(hum, 48e3, 50.0, 30.0).empty());
    CHECK(find_modes(std::vector<float>(48'000, 0.0f), 48e3, 50.0, 30.0).empty());
    CHECK(find_modes(std::vector<float>(50, 1.0f), 48e3, 50.0, 30.0).empty());
}
