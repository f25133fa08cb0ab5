#include "core/fft.h"
#include "take/mic_scan.h"
#include "take/take.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>

using namespace kitfold::dsp;

TEST_CASE("a take in memory hands out excerpts, zeros outside", "[take]") {
    const std::vector<float> a{1, 2, 3, 4}, b{5, 6};
    const auto take = take_of(48'000.0, {{"a", Role::kick_in}, {"b", Role::kick_out}}, {a, b});
    CHECK(take.length == 4);
    std::vector<float> out(6, 9.0f);
    take.read(0, -1, out);
    CHECK(out == std::vector<float>{0, 1, 2, 3, 4, 0});
    take.read(1, 1, out);
    CHECK(out == std::vector<float>{6, 0, 0, 0, 0, 0});
    take.read(1, -50, out);
    CHECK(out == std::vector<float>(6, 0.0f));
    take.read(1, 50, out);
    CHECK(out == std::vector<float>(6, 0.0f));
}

TEST_CASE("drum names read back, and the mic that speaks for a drum is the inner or upper one", "[take]") {
    for (std::size_t d = 0; d < kDrumCount; ++d)
        CHECK(drum_named(drum_name(static_cast<Drum>(d))) == static_cast<Drum>(d));
    CHECK_FALSE(drum_named("Kick").has_value());
    const std::vector<TakeMic> mics{{"", Role::overhead_left}, {"", Role::kick_out}, {"", Role::kick_in}};
    CHECK(own_mic(mics, Drum::kick) == 2u);
    CHECK_FALSE(own_mic(mics, Drum::cymbals).has_value());
}

TEST_CASE("transform of a shifted impulse is its closed form, and inverse undoes forward", "[fft]") {
    const std::size_t size = GENERATE(2u, 30u, 480u, 1024u);
    const RealFft fft(size);
    std::vector<float> x(size, 0.0f), back(size);
    const std::size_t at = size / 2 - 1;
    x[at] = 0.5f;
    std::vector<std::complex<float>> y(fft.bins());
    fft.forward(x, y);
    for (std::size_t k = 0; k < fft.bins(); ++k) {
        const auto expected =
            std::polar(0.5, -2.0 * std::numbers::pi * double(k) * double(at) / double(size));
        CHECK(std::abs(std::complex<double>(y[k]) - expected) < 1e-6);
    }
    fft.inverse(y, back);
    for (std::size_t n = 0; n < size; ++n) CHECK(std::abs(back[n] - x[n]) < 1e-6f);
}

TEST_CASE("fast sizes have no prime factor above 5", "[fft]") {
    CHECK(fast_fft_size(0) == 2);
    CHECK(fast_fft_size(7) == 8);
    CHECK(fast_fft_size(97) == 100);
    CHECK(fast_fft_size(1025) == 1080);
}

TEST_CASE("a sine at a band's centre reads its mean square there, in any block size", "[scan]") {
    const double rate = GENERATE(44'100.0, 48'000.0, 96'000.0);
    const std::size_t band = GENERATE(0u, 3u, 7u);
    std::vector<float> x(static_cast<std::size_t>(rate / 2.0));
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] =
            static_cast<float>(0.5 * std::sin(2.0 * std::numbers::pi * kScanBandHz[band] * double(n) / rate));
    MicScan whole(rate), parts(rate);
    whole.push(x);
    for (std::size_t at = 0, size = 1; at < x.size(); at += size, size = size % 257 + 1)
        parts.push(std::span(x).subspan(at, std::min(size, x.size() - at)));
    const auto a = whole.finish(), b = parts.finish();
    REQUIRE(a.frames() == b.frames());
    double mean = 0.0;
    for (std::size_t f = a.frames() - 100; f < a.frames(); ++f) mean += a.energy(f, band) / 100.0;
    CHECK(mean == Approx(0.125).epsilon(0).margin(0.125 * 0.01)); // 0.5^2 / 2; 100 ms hold whole periods
    for (std::size_t f = 0; f < a.frames(); ++f) CHECK(a.energy(f, band) == b.energy(f, band));
}

TEST_CASE("a broken sample spoils one frame at most, and bands above the rate stay silent", "[scan]") {
    std::vector<float> x(8'000, 0.1f);
    x[100] = std::numeric_limits<float>::quiet_NaN();
    MicScan scan(8'000.0);
    scan.push(x);
    const auto f = scan.finish();
    CHECK(f.frames() == 1000);
    for (std::size_t n = 0; n < f.frames(); ++n) {
        CHECK(std::isfinite(f.energy(n, 0)));
        CHECK(f.energy(n, 7) == 0.0f);
    }
}
