// The short cut to the true peak against libebur128 over every sample, and against the sine that BS.1770 is
// about.
#include "offline/audio/true_peak.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <ebur128.h>
#include <numbers>
#include <random>

using namespace kitfold::offline;

namespace {

double reference(const std::vector<float>& x, int rate_hz) {
    auto* state = ebur128_init(1, static_cast<unsigned long>(rate_hz), EBUR128_MODE_TRUE_PEAK);
    ebur128_add_frames_float(state, x.data(), x.size());
    double peak = 0.0;
    ebur128_true_peak(state, 0, &peak);
    ebur128_destroy(&state);
    return peak;
}

} // namespace

TEST_CASE("true peak of drum-like noise is libebur128's, at any block size", "[check]") {
    const int rate_hz = GENERATE(44'100, 48'000, 96'000);
    const unsigned seed = GENERATE(1u, 2u, 3u);
    std::mt19937 random(seed);
    std::normal_distribution<float> gauss;
    std::vector<float> x(200'000);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = 0.2f * gauss(random) * std::exp(-float(n % 24'000) / 3'000.0f);
    TruePeak meter(rate_hz);
    for (std::size_t at = 0, size = 1; at < x.size(); at += size, size = size * 2 % 3'001 + 1)
        meter.push(std::span(x).subspan(at, std::min(size, x.size() - at)));
    const double expected = reference(x, rate_hz);
    CHECK(meter.peak() == Approx(expected).epsilon(0).margin(1e-6 * expected));
}

TEST_CASE("true peak of a sine at a quarter of the rate, sampled 3 dB below its peak", "[check]") {
    std::vector<float> x(48'000);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = float(0.5 * std::sin(std::numbers::pi / 2.0 * double(n) + std::numbers::pi / 4.0));
    TruePeak meter(48'000);
    meter.push(x);
    CHECK(20.0 * std::log10(meter.peak() / 0.5) ==
          Approx(0.0).epsilon(0).margin(0.4)); // BS.1770-4, annex 2: under-read at most
}
