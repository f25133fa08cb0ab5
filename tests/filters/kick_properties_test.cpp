#include "filters/kick_conditioner.h"
#include "real_time_guard.h"
#include <array>
#include <catch2/catch.hpp>
#include <limits>
#include <random>

using namespace kitfold::dsp;

namespace {
KickSettings everything() {
    return {.high_pass_slope = Slope::db_24,
            .box_db = -9,
            .bleed_cut_hz = 5000,
            .bleed_cut_slope = Slope::db_24,
            .level_db = 3};
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
    REQUIRE(kick.set({.high_pass_hz = 20, .high_pass_slope = Slope::db_24, .shelf_hz = 30, .shelf_db = 12}) ==
            nullptr);
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

namespace {

/// The book's own form of the section (V. Zavalishin, "The Art of VA Filter Design", ch. 4) in 64-bit
/// mantissas.
struct BookSection {
    long double band = 0.0L, low = 0.0L;
    long double tick(const Section& s, long double x) {
        const long double g = s.g, k = s.k, a = 1.0L / (1.0L + g * (g + k));
        const long double v1 = a * (band + g * (x - low)), v2 = low + g * v1;
        band = 2.0L * v1 - band, low = 2.0L * v2 - low;
        return s.m0 * x + s.m1 * v1 + s.m2 * v2;
    }
};

} // namespace

TEST_CASE("kick: at full scale its arithmetic stays under -140 dBFS, at either end of rates and corners",
          "[filters]") {
    // -140 dBFS is asked of a 20 Hz section at 192 kHz; 10 Hz at 384 kHz is the hardest that can be set. The
    // result is rounded to float, which by itself leaves up to 2^-25 / sqrt 3 = -155 dBFS.
    const double rate_hz = GENERATE(8'000.0, 48'000.0, 192'000.0, 384'000.0);
    const double high_pass_hz = GENERATE(10.0, 20.0, 200.0), bleed_cut_hz = GENERATE(500.0, 20'000.0);
    const KickSettings settings{.high_pass_hz = high_pass_hz,
                                .high_pass_slope = Slope::db_24,
                                .shelf_hz = 30,
                                .box_db = -18,
                                .box_q = 4,
                                .bleed_cut_hz = bleed_cut_hz,
                                .bleed_cut_slope = Slope::db_24,
                                .level_db = -6};
    KickConditioner<double> kick;
    REQUIRE((kick.prepare(rate_hz) && kick.set(settings) == nullptr));
    const auto design = KickDesign::make(rate_hz, settings);
    std::array<BookSection, KickDesign::kSections> book;
    const auto frames = static_cast<std::size_t>(rate_hz / 2);
    auto x = noise(frames);
    for (std::size_t n = 0; n < frames; ++n) // hits the corner, and a DC that the filter must hold back
        x[n] =
            0.3f * x[n] + 0.5f * static_cast<float>(std::sin(2 * M_PI * 12.0 * double(n) / rate_hz)) + 0.25f;
    auto y = x;
    kick.process(y.data(), y.data(), frames);
    double power = 0.0;
    for (std::size_t n = 0; n < frames; ++n) {
        long double v = x[n];
        for (std::size_t s = 0; s < KickDesign::kSections; ++s) v = book[s].tick(design.section[s], v);
        const auto e = static_cast<double>(y[n] - v * design.gain);
        power += e * e / static_cast<double>(frames);
    }
    CHECK(10.0 * std::log10(power) < -140.0);
}

TEST_CASE("kick: a move takes the sound over as it is, and hands it back", "[filters]") {
    // Settings that go there and back by next to nothing: 1e-7 of a decibel. Were anything lost on the way
    // from the filters that rest to those that move, a ring of the 20 Hz corner would be heard from there on.
    const auto in = noise(48'000);
    auto still = in, moved = in;
    KickConditioner<double> a, b;
    auto s = everything();
    s.high_pass_hz = 20, s.shelf_hz = 30;
    for (auto* k : {&a, &b}) REQUIRE((k->prepare(48'000.0) && k->set(s) == nullptr));
    a.process(still.data(), still.data(), still.size());
    for (std::size_t at = 0; at < moved.size(); at += 4'800) {
        s.level_db += at % 9'600 == 0 ? 1e-7 : -1e-7;
        REQUIRE(b.set(s) == nullptr);
        b.process(moved.data() + at, moved.data() + at, 4'800);
    }
    double worst = 0.0;
    for (std::size_t n = 0; n < in.size(); ++n)
        worst = std::max(worst, std::abs(static_cast<double>(still[n]) - static_cast<double>(moved[n])));
    CHECK(worst > 0.0);
    CHECK(worst < 3e-7); // -130 dBFS: the step of a float near 2, and 1e-7 dB of it
}

TEST_CASE("kick: a lane that moves leaves its neighbours as they are, and is itself what it is alone",
          "[filters]") {
    using Batch = xsimd::batch<double, xsimd::sse2>;
    KickConditioner<Batch> lanes;
    KickConditioner<double> moving, still;
    REQUIRE((lanes.prepare(48'000.0) && moving.prepare(48'000.0) && still.prepare(48'000.0)));
    KickSettings off;
    off.high_pass_slope = Slope::off, off.shelf_db = 0;
    REQUIRE((lanes.set(off, 0) == nullptr && lanes.set(everything(), 1) == nullptr));
    REQUIRE((moving.set(off) == nullptr && still.set(everything()) == nullptr));
    const auto in = noise(9'600);
    auto a = in, b = in;
    std::vector<float> both(2 * in.size());
    for (std::size_t n = 0; n < in.size(); ++n) both[2 * n] = both[2 * n + 1] = in[n];
    for (std::size_t at = 0; at < in.size(); at += 1'200) { // 20 ms and 5 ms of rest
        const auto& next = at / 1'200 % 2 == 0 ? everything() : off;
        if (at > 0) REQUIRE((lanes.set(next, 0) == nullptr && moving.set(next) == nullptr));
        lanes.process(&both[2 * at], &both[2 * at], 1'200);
        moving.process(&a[at], &a[at], 1'200), still.process(&b[at], &b[at], 1'200);
    }
    for (std::size_t n = 0; n < in.size(); ++n) REQUIRE((both[2 * n] == a[n] && both[2 * n + 1] == b[n]));
}

TEST_CASE("kick: sweeping every setting makes no click", "[filters]") {
    // A 60 Hz sine through moving settings: the second difference of the output stays within that of the
    // loudest steady sine (amplitude A: A w²) times a margin for the move itself. A step would be of the
    // order of A.
    const double rate_hz = 48'000.0, w = 2.0 * M_PI * 60.0 / rate_hz;
    KickConditioner<double> kick;
    REQUIRE(kick.prepare(rate_hz));
    KickSettings a{.high_pass_hz = 10, .high_pass_slope = Slope::off, .shelf_hz = 30, .shelf_db = -12};
    KickSettings b{.high_pass_hz = 200,
                   .high_pass_slope = Slope::db_24,
                   .shelf_hz = 400,
                   .shelf_db = 18,
                   .box_db = -18,
                   .bleed_cut_hz = 500,
                   .bleed_cut_slope = Slope::db_24,
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
