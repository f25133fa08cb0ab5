#include "filters/kick_conditioner.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <limits>
#include <random>

using namespace kitfold::dsp;

namespace {
KickSettings everything() {
    return {.high_pass_slope = 24, .box_db = -9, .bleed_cut_hz = 5000, .bleed_cut_slope = 24, .level_db = 3};
}
std::vector<float> noise(std::size_t frames) {
    std::mt19937 random(3);
    std::vector<float> x(frames);
    for (auto& v : x) v = static_cast<float>(static_cast<double>(random()) / 4294967296.0 - 0.5);
    return x;
}
} // namespace

TEST_CASE("kick: silence stays silence, rates and settings out of range are refused", "[filters]") {
    KickConditioner<double> kick;
    CHECK_FALSE(kick.prepare(7'999.0));
    CHECK_FALSE(kick.prepare(std::numeric_limits<double>::quiet_NaN()));
    for (const double rate_hz : {8'000.0, 384'000.0}) {
        REQUIRE(kick.prepare(rate_hz));
        REQUIRE(kick.set(everything()) == nullptr);
        std::vector<float> x(10'000, 0.0f);
        kick.process(x.data(), x.data(), x.size());
        CHECK(x == std::vector<float>(10'000, 0.0f));
    }
    auto s = everything();
    s.shelf_db = 18.1;
    REQUIRE(kick.set(s) != nullptr);
    CHECK(kick.set(s)->key == "shelf_db");
    s.shelf_db = std::numeric_limits<double>::quiet_NaN();
    CHECK(kick.set(s) != nullptr);
}

TEST_CASE("kick: NaN and Inf do not outlive the block that carried them", "[filters]") {
    KickConditioner<double> kick, clean;
    for (auto* k : {&kick, &clean}) REQUIRE((k->prepare(48'000.0) && k->set(everything()) == nullptr));
    auto x = noise(512), y = x;
    x[5] = std::numeric_limits<float>::quiet_NaN(), x[6] = std::numeric_limits<float>::infinity();
    y[5] = y[6] = 0.0f;
    kick.process(x.data(), x.data(), x.size());
    clean.process(y.data(), y.data(), y.size());
    CHECK(x == y);
}

TEST_CASE("kick: a section at 20 Hz and 192 kHz is clean to -140 dBFS", "[filters]") {
    // A full-scale 30 Hz sine through the 20 Hz, 24 dB high-pass at -60 dB: what is not the sine (fitted by
    // least squares over whole periods) is the noise of the filter's arithmetic. Input and output are floats
    // of a small sine, so that their own rounding (-144 dB re the sample) stays under what is looked for.
    const double rate_hz = 192'000.0, level = 1e-3;
    KickConditioner<double> kick;
    REQUIRE(kick.prepare(rate_hz));
    REQUIRE(kick.set({.high_pass_hz = 20, .high_pass_slope = 24, .shelf_hz = 30, .shelf_db = 12}) == nullptr);
    const std::size_t settle = 192'000, frames = 64'000; // 10 periods of 30 Hz
    std::vector<float> x(settle + frames);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = static_cast<float>(level * std::sin(2.0 * M_PI * 30.0 / rate_hz * static_cast<double>(n)));
    kick.process(x.data(), x.data(), x.size());
    double s = 0.0, c = 0.0, mean = 0.0;
    for (std::size_t n = settle; n < x.size(); ++n) {
        const double w = 2.0 * M_PI * 30.0 / rate_hz * static_cast<double>(n);
        s += x[n] * std::sin(w), c += x[n] * std::cos(w), mean += x[n];
    }
    s *= 2.0 / frames, c *= 2.0 / frames, mean /= frames;
    double noise_power = 0.0;
    for (std::size_t n = settle; n < x.size(); ++n) {
        const double w = 2.0 * M_PI * 30.0 / rate_hz * static_cast<double>(n);
        const double e = x[n] - s * std::sin(w) - c * std::cos(w) - mean;
        noise_power += e * e / frames;
    }
    CHECK(10.0 * std::log10(noise_power) < -140.0);
}

TEST_CASE("kick: sweeping every setting makes no click", "[filters]") {
    // A 60 Hz sine through moving settings: the second difference of the output stays within that of the
    // loudest steady sine (amplitude A: A w²) times a margin for the move itself. A step would be of the
    // order of A.
    const double rate_hz = 48'000.0, w = 2.0 * M_PI * 60.0 / rate_hz;
    KickConditioner<double> kick;
    REQUIRE(kick.prepare(rate_hz));
    KickSettings a{.high_pass_hz = 10, .high_pass_slope = 0, .shelf_hz = 30, .shelf_db = -12};
    KickSettings b{.high_pass_hz = 200,
                   .high_pass_slope = 24,
                   .shelf_hz = 400,
                   .shelf_db = 18,
                   .box_db = -18,
                   .bleed_cut_hz = 500,
                   .bleed_cut_slope = 24,
                   .level_db = -6};
    REQUIRE(kick.set(a) == nullptr);
    std::vector<float> x(96'000);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] = static_cast<float>(0.1 * std::sin(w * static_cast<double>(n)));
    for (std::size_t at = 0; at < x.size(); at += 480) {
        REQUIRE(kick.set(at / 2400 % 2 == 0 ? a : b) == nullptr);
        kick.process(x.data() + at, x.data() + at, 480);
    }
    double peak = 0.0, second = 0.0;
    for (std::size_t n = 2; n < x.size(); ++n) {
        peak = std::max(peak, std::abs(static_cast<double>(x[n])));
        second = std::max(second, std::abs(static_cast<double>(x[n]) - 2.0 * x[n - 1] + x[n - 2]));
    }
    CAPTURE(peak, second);
    CHECK(peak > 0.05);
    CHECK(second < 30.0 * peak * w * w); // a step of the peak would be 16,000 times peak w²
}

TEST_CASE("kick: process, set and reset keep the audio thread's rules", "[filters]") {
    KickConditioner<double> kick;
    REQUIRE(kick.prepare(48'000.0));
    auto x = noise(4096);
    const RealTimeGuard guard;
    (void)kick.set(everything());
    kick.process(x.data(), x.data(), 1);
    (void)kick.set({});
    kick.process(x.data(), x.data(), x.size());
    kick.reset();
    const int calls = guard.calls();
    CHECK(calls == 0);
}

TEST_CASE("kick: any block size gives the same samples, also while settings move", "[filters]") {
    const auto in = noise(6'000);
    std::vector<float> whole = in, parts = in;
    KickConditioner<double> a, b;
    for (auto* k : {&a, &b}) REQUIRE((k->prepare(96'000.0) && k->set({}) == nullptr));
    const auto half = [](KickConditioner<double>& k, float* x, std::size_t from, std::size_t to,
                         std::size_t most) {
        for (std::size_t at = from, size = 1; at < to; at += size, size = size % most + 1) {
            size = std::min(size, to - at);
            k.process(x + at, x + at, size);
        }
    };
    half(a, whole.data(), 0, 1000, 1000), half(b, parts.data(), 0, 1000, 7);
    for (auto* k : {&a, &b}) REQUIRE(k->set(everything()) == nullptr);
    a.process(whole.data() + 1000, whole.data() + 1000, 5000), half(b, parts.data(), 1000, 6000, 97);
    CHECK(whole == parts);
}
