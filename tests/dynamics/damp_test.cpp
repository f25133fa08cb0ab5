#include "core/units.h"
#include "damped.h"
#include "dynamics/damp_of.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>
#include <cstring>
#include <random>
#include <vector>

using namespace kitfold;
using namespace kitfold::dsp;
using test::damped;

namespace {

DampSettings one_band(double hz, double open_ms, double ring_ms, double q = 4.0) {
    DampSettings s;
    s.amount = 1.0, s.band_count = 1;
    s.bands[0] = {hz, q, ring_ms, open_ms};
    return s;
}

using Partial = test::RingingTone;

/// Struck at `at_s`: sum A exp(-alpha t) sin(omega t), the closed form.
void strike(std::vector<float>& x, double rate_hz, double at_s, const std::vector<Partial>& partials,
            double gain = 1.0) {
    for (auto n = static_cast<std::size_t>(at_s * rate_hz); n < x.size(); ++n) {
        const double t = double(n) / rate_hz - at_s;
        for (const auto& p : partials)
            x[n] += static_cast<float>(gain * p.level * std::exp(-6.9077552790 * t * 1000.0 / p.ring_ms) *
                                       std::sin(2.0 * M_PI * p.hz * t));
    }
}

} // namespace

TEST_CASE("damp at amount 0 or switched open is its input, bit for bit", "[dynamics]") {
    std::vector<float> x(5000);
    std::mt19937 random(1);
    for (auto& v : x) v = static_cast<float>(random()) / 4e9f - 0.5f;
    x[10] = -0.0f, x[11] = 1e-41f, x[12] = 3e38f;
    auto s = one_band(180, 600, 200);
    s.high_db_per_s = 100, s.tail_db_per_s = 50;
    auto open = s;
    s.amount = 0.0, open.heard = Tail::open;
    for (const auto& settings : {s, open, DampSettings{}})
        CHECK(std::memcmp(damped(settings, 48'000, x).data(), x.data(), x.size() * sizeof(float)) == 0);
}

namespace {

/// T60 in ms of each partial, given roughly: a straight line through its levels from -5 to -25 dB re 20 ms
/// after `at_s`.
std::vector<double> ring_times(const std::vector<float>& x, double rate_hz, double at_s,
                               const std::vector<Partial>& partials) {
    struct Sums {
        double t = 0, l = 0, tt = 0, tl = 0, count = 0;
        bool over = false;
    };
    std::vector<Sums> sums(partials.size());
    const test::ToneLevels levels(rate_hz, partials);
    const auto top = levels.at(x, std::size_t((at_s + 0.02) * rate_hz));
    for (double t = at_s + 0.02; t + 0.08 < double(x.size()) / rate_hz && t < at_s + 0.6; t += 0.01) {
        const auto level = levels.at(x, std::size_t(t * rate_hz));
        for (std::size_t k = 0; k < partials.size(); ++k) {
            const double l = level[k] - top[k];
            auto& s = sums[k];
            s.over = s.over || l < -25.0;
            if (!s.over && l <= -5.0) s.t += t, s.l += l, s.tt += t * t, s.tl += t * l, s.count += 1;
        }
    }
    std::vector<double> out;
    for (const auto& s : sums)
        out.push_back(-60'000.0 * (s.count * s.tt - s.t * s.t) / (s.count * s.tl - s.t * s.l));
    return out;
}
double ring_ms(const std::vector<float>& x, double rate_hz, double at_s, const Partial& partial) {
    return ring_times(x, rate_hz, at_s, {partial}).front();
}

} // namespace

TEST_CASE("damp gives a partial the ring time asked for", "[dynamics]") {
    const double rate_hz = GENERATE(8'000.0, 44'100.0, 48'000.0, 96'000.0, 192'000.0);
    const double hz = GENERATE(60.0, 180.0, 900.0), open_ms = GENERATE(400.0, 900.0);
    const double share = GENERATE(0.3, 0.6, 0.9);
    std::vector<float> x(static_cast<std::size_t>(1.5 * rate_hz));
    strike(x, rate_hz, 0.1, {{hz, open_ms, 0.5}});
    const auto y = damped(one_band(hz, open_ms, share * open_ms), rate_hz, x);
    CAPTURE(rate_hz, hz, open_ms, share);
    CHECK(ring_ms(x, rate_hz, 0.1, {hz, open_ms, 1.0}) == Approx(open_ms).epsilon(0.01).margin(0));
    CHECK(ring_ms(y, rate_hz, 0.1, {hz, share * open_ms, 1.0}) ==
          Approx(share * open_ms).epsilon(0.05).margin(0));
}

namespace {

std::vector<float> noise(std::size_t length, float level, unsigned seed) {
    std::mt19937 random(seed);
    std::normal_distribution<float> gauss;
    std::vector<float> x(length);
    for (auto& v : x) v = level * gauss(random);
    return x;
}

/// Ideal membrane: Fletcher and Rossing, The Physics of Musical Instruments, table 3.1; Abramowitz and
/// Stegun 9.5.
constexpr double kMembrane[] = {1.0, 1.593, 2.136, 2.295, 2.653, 2.917};

std::vector<Partial> membrane(double hz, double ring_ms, double extra_alpha = 0.0) {
    std::vector<Partial> out;
    for (const double ratio : kMembrane) {
        const double alpha = 6907.755279 / ring_ms * std::sqrt(ratio) + extra_alpha * std::sqrt(ratio);
        out.push_back({hz * ratio, 6907.755279 / alpha, 0.3 / ratio});
    }
    return out;
}

DampSettings for_drum(const std::vector<Partial>& open, const std::vector<Partial>& deadened) {
    DampSettings s;
    s.amount = 1.0, s.band_count = open.size();
    for (std::size_t i = 0; i < open.size(); ++i) {
        const double alpha = 6907.755279 / deadened[i].ring_ms;
        s.bands[i] = {open[i].hz, M_PI * open[i].hz / (1.5 * alpha), deadened[i].ring_ms, open[i].ring_ms};
    }
    return s;
}

double energy_db(const std::vector<float>& x, double rate_hz, double from_s, double to_s) {
    double sum = 1e-30;
    for (auto n = std::size_t(from_s * rate_hz); n < std::min(x.size(), std::size_t(to_s * rate_hz)); ++n)
        sum += double(x[n]) * double(x[n]);
    return 10.0 * std::log10(sum);
}

} // namespace

TEST_CASE("damp turns a modal drum into the one with raised alpha", "[dynamics]") {
    const double rate_hz = GENERATE(8'000.0, 44'100.0, 96'000.0, 192'000.0);
    const double hz = GENERATE(80.0, 190.0);
    const auto open = membrane(hz, 800.0), deadened = membrane(hz, 800.0, 15.0);
    auto x = noise(std::size_t(1.5 * rate_hz), 1e-5f, 3), truth = x;
    strike(x, rate_hz, 0.1, open), strike(truth, rate_hz, 0.1, deadened);
    const auto y = damped(for_drum(open, deadened), rate_hz, x);
    CAPTURE(rate_hz, hz);
    // 0.5 dB in the first 10 ms and 10 % of ring time are what a listener is promised
    CHECK(energy_db(y, rate_hz, 0.1, 0.11) ==
          Approx(energy_db(truth, rate_hz, 0.1, 0.11)).epsilon(0).margin(0.5));
    const auto rings = ring_times(y, rate_hz, 0.1, deadened);
    for (std::size_t i = 0; i < deadened.size(); ++i) {
        CAPTURE(deadened[i].hz);
        CHECK(rings[i] == Approx(deadened[i].ring_ms).epsilon(0.10).margin(0));
    }
}

TEST_CASE("damp follows rolls and ghost notes as a damped head would", "[dynamics]") {
    const double rate_hz = 48'000.0;
    const auto open = membrane(100.0, 900.0), deadened = membrane(100.0, 900.0, 12.0);
    auto x = noise(std::size_t(2.5 * rate_hz), 1e-5f, 4), truth = x;
    // a roll with accents, a rest, then a ghost note 30 dB under a loud stroke that still rings
    std::vector<std::pair<double, double>> strokes;
    for (int k = 0; k < 12; ++k) strokes.emplace_back(0.1 + 0.083 * k, k % 3 == 0 ? 1.0 : 0.4);
    strokes.emplace_back(1.5, 1.0), strokes.emplace_back(1.8, 0.03);
    for (const auto& [at, gain] : strokes)
        strike(x, rate_hz, at, open, gain), strike(truth, rate_hz, at, deadened, gain);
    Damp<float> damp;
    REQUIRE(damp.prepare(rate_hz));
    REQUIRE(damp.set(for_drum(open, deadened)) == nullptr);
    auto y = x;
    std::array<double, 6> before{}, slope{};
    double sharpest = 0.0;
    for (std::size_t n = 0; n + 16 <= y.size(); n += 16) {
        damp.process(&y[n], &y[n], 16);
        for (std::size_t b = 0; b < 6; ++b) { // linear gain, once per grid step of 1/3 ms
            const double gain = gain_from_db(damp.gain_db(b)), step = gain - before[b];
            if (n > 4800 && step < slope[b]) sharpest = std::max(sharpest, slope[b] - step);
            slope[b] = step, before[b] = gain;
        }
    }
    CHECK(energy_db(y, rate_hz, 0.1, 1.2) ==
          Approx(energy_db(truth, rate_hz, 0.1, 1.2)).epsilon(0).margin(1.0));
    CHECK(energy_db(y, rate_hz, 1.5, 1.8) ==
          Approx(energy_db(truth, rate_hz, 1.5, 1.8)).epsilon(0).margin(0.5));
    CHECK(energy_db(y, rate_hz, 1.8, 2.1) ==
          Approx(energy_db(truth, rate_hz, 1.8, 2.1)).epsilon(0).margin(3.0));
    CHECK(energy_db(y, rate_hz, 1.05, 1.4) ==
          Approx(energy_db(truth, rate_hz, 1.05, 1.4)).epsilon(0).margin(3.0));
    INFO("largest second difference of a gain: " << sharpest);
    CHECK(sharpest < 0.4); // a gain opens in 1 ms at the fastest: three steps of the grid
}

TEST_CASE("damp keeps the attack of a stroke that follows a flicker of noise in a band", "[dynamics]") {
    // A recording begins, its noise fills the bands and counts as a stroke now and then; whenever the first
    // real one comes, its first 10 ms are those of the deadened drum within the 0.5 dB that are promised.
    const double rate_hz = 48'000.0;
    // Two partials are so close that little noise is much to the bands that tell them apart.
    const std::vector<Partial> open{{54.0, 560, 0.3},    {91.8, 407, 0.15},  {127.2, 335, 0.06},
                                    {138.0, 320, 0.145}, {175.2, 274, 0.15}, {216.7, 243, 0.08}},
        deadened{{54.0, 230, 0.3},    {91.8, 172, 0.15},  {127.2, 145, 0.06},
                 {138.0, 139, 0.145}, {175.2, 120, 0.15}, {216.7, 108, 0.08}};
    auto settings = for_drum(open, deadened);
    for (auto& band : settings.bands) band.q = 4.0;
    const auto hiss = noise(std::size_t(0.4 * rate_hz), 1.3e-4f, 14);
    for (double at = 0.15; at < 0.36; at += 0.003) {
        auto x = hiss, truth = hiss;
        strike(x, rate_hz, at, open), strike(truth, rate_hz, at, deadened);
        const auto y = damped(settings, rate_hz, x);
        CAPTURE(at);
        CHECK(energy_db(y, rate_hz, at, at + 0.01) ==
              Approx(energy_db(truth, rate_hz, at, at + 0.01)).epsilon(0).margin(0.5));
    }
}

TEST_CASE("the top falls as fast as asked for, an octave above its corner too", "[dynamics]") {
    // The shelf's response at 900 Hz: (G s^2 + sqrt(2 G) s + 1) / (s^2 + sqrt(2) s + 1), G = -10 dB.
    const double rate_hz = GENERATE(44'100.0, 48'000.0, 192'000.0), fall_db_per_s = 200.0;
    const auto [hz, loss_db] = GENERATE(std::pair{450.0, 0.24}, std::pair{900.0, 2.60},
                                        std::pair{1'800.0, 8.15}, std::pair{7'200.0, 9.99});
    DampSettings s;
    s.amount = 1.0, s.high_db_per_s = fall_db_per_s;
    std::vector<float> x(std::size_t(0.2 * rate_hz));
    strike(x, rate_hz, 0.1, {{hz, 900.0, 0.5}});
    const auto y = damped(s, rate_hz, x);
    CAPTURE(rate_hz, hz); // 50 ms after the stroke 10 dB are asked for
    CHECK(energy_db(x, rate_hz, 0.145, 0.155) - energy_db(y, rate_hz, 0.145, 0.155) ==
          Approx(loss_db).epsilon(0).margin(0.5));
}

TEST_CASE("damp lets a swell, bleed and noise pass", "[dynamics]") {
    const double rate_hz = 48'000.0;
    auto s = one_band(180, 600, 150);
    s.high_db_per_s = 200, s.tail_db_per_s = 60;
    // a cymbal swell: noise that rises 20 dB in 2 s
    auto x = noise(std::size_t(3.0 * rate_hz), 0.01f, 5);
    for (std::size_t n = 0; n < x.size(); ++n)
        x[n] *= static_cast<float>(std::pow(10.0, 0.5 * std::min(2.0, double(n) / rate_hz)));
    const auto y = damped(s, rate_hz, x);
    for (double t = 0.5; t < 2.9; t += 0.1)
        CHECK(energy_db(y, rate_hz, t, t + 0.1) ==
              Approx(energy_db(x, rate_hz, t, t + 0.1)).epsilon(0).margin(0.5));
}

TEST_CASE("damp keeps the noise floor steady after the ring has gone", "[dynamics]") {
    const double rate_hz = 48'000.0;
    auto x = noise(std::size_t(4.0 * rate_hz), 1e-3f, 6);
    strike(x, rate_hz, 0.1, {{180, 600, 0.5}});
    const auto y = damped(one_band(180, 600, 150), rate_hz, x);
    CHECK(ring_ms(y, rate_hz, 0.1, {180, 150, 1}) == Approx(150).epsilon(0.1).margin(0));
    for (double t = 1.5; t < 3.4; t += 0.5)
        CHECK(energy_db(y, rate_hz, t, t + 0.5) ==
              Approx(energy_db(x, rate_hz, t, t + 0.5)).epsilon(0).margin(0.2));
}

TEST_CASE("damp opens a ring up, and not its noise", "[dynamics]") {
    const double rate_hz = 48'000.0;
    auto clean = std::vector<float>(std::size_t(3.0 * rate_hz)), x = noise(clean.size(), 1e-3f, 7);
    strike(clean, rate_hz, 0.1, {{180, 400, 0.5}}), strike(x, rate_hz, 0.1, {{180, 400, 0.5}});
    auto s = one_band(180, 400, 250);
    s.amount = -1.0; // mirrored: 400² / 250 = 640 ms
    CHECK(ring_ms(damped(s, rate_hz, clean), rate_hz, 0.1, {180, 640, 1}) ==
          Approx(640).epsilon(0.1).margin(0));
    const auto y = damped(s, rate_hz, x);
    CHECK(energy_db(y, rate_hz, 1.5, 3.0) == Approx(energy_db(x, rate_hz, 1.5, 3.0)).epsilon(0).margin(0.3));
}

TEST_CASE("damp switches between open and deadened without a click or a jump", "[dynamics]") {
    const double rate_hz = 48'000.0;
    auto s = one_band(180, 900, 200);
    std::vector<float> x(std::size_t(0.6 * rate_hz));
    strike(x, rate_hz, 0.1, {{180, 900, 0.5}});
    Damp<float> damp;
    REQUIRE(damp.prepare(rate_hz));
    REQUIRE(damp.set(s) == nullptr);
    auto y = x;
    double largest = 0.0;
    for (std::size_t n = 0; n < y.size(); n += 48) {
        s.heard = (n / 4800) % 2 == 0 ? Tail::deadened : Tail::open;
        REQUIRE(damp.set(s) == nullptr);
        damp.process(&y[n], &y[n], 48);
    }
    const double omega = 2.0 * M_PI * 180.0 / rate_hz;
    for (std::size_t n = 6000; n + 1 < y.size(); ++n) // a tone's second difference is omega² times its level
        largest = std::max(largest, std::abs(double(y[n - 1]) - 2.0 * y[n] + y[n + 1]));
    CHECK(largest < 0.5 * omega * omega * 1.5);
}

TEST_CASE("damp gives the same bits at any block size", "[dynamics]") {
    const double rate_hz = GENERATE(8'000.0, 48'000.0, 192'000.0);
    auto x = noise(20'000, 1e-3f, 8);
    strike(x, rate_hz, 0.01, membrane(100.0, 500.0));
    auto s = for_drum(membrane(100.0, 500.0), membrane(100.0, 500.0, 20.0));
    s.high_db_per_s = 150, s.tail_db_per_s = 30;
    const auto whole = damped(s, rate_hz, x);
    Damp<float> damp;
    REQUIRE(damp.prepare(rate_hz));
    REQUIRE(damp.set(s) == nullptr);
    for (std::size_t at = 0, size = 1; at < x.size(); at += size, size = size % 257 + 1) {
        const auto n = std::min(size, x.size() - at);
        damp.process(&x[at], &x[at], n);
    }
    CHECK(x == whole);
}

TEST_CASE("damp lanes equal the scalar", "[dynamics]") {
    using Batch = xsimd::batch<float, xsimd::sse2>;
    const double rate_hz = 48'000.0;
    Damp<Batch> lanes;
    std::array<Damp<float>, 2> scalar;
    REQUIRE(lanes.prepare(rate_hz));
    auto a = for_drum(membrane(100.0, 500.0), membrane(100.0, 500.0, 20.0)), b = one_band(200, 700, 900);
    a.tail_db_per_s = 20, b.amount = -0.5, b.high_db_per_s = 100;
    std::array<std::vector<float>, 2> x{noise(30'000, 1e-3f, 9), noise(30'000, 1e-2f, 10)};
    for (auto& mic : x)
        strike(mic, rate_hz, 0.05, membrane(100.0, 500.0)), strike(mic, rate_hz, 0.2, membrane(120.0, 300.0));
    std::vector<float> wide;
    for (std::size_t n = 0; n < x[0].size(); ++n) // two lanes stay silent
        wide.insert(wide.end(), {x[0][n], x[1][n], 0.0f, 0.0f});
    for (std::size_t n = 0; n < x[0].size(); n += 500) {
        if (n == 10'000) a.amount = 0.0, b.amount = 0.7, b.band_count = 2;
        for (std::size_t k = 0; k < 2; ++k) {
            REQUIRE(lanes.set(k == 0 ? a : b, k) == nullptr);
            if (n == 0) REQUIRE(scalar[k].prepare(rate_hz));
            REQUIRE(scalar[k].set(k == 0 ? a : b) == nullptr);
            scalar[k].process(&x[k][n], &x[k][n], 500);
        }
        lanes.process(&wide[4 * n], &wide[4 * n], 500);
    }
    for (std::size_t n = 0; n < x[0].size(); ++n)
        REQUIRE((wide[4 * n] == x[0][n] && wide[4 * n + 1] == x[1][n]));
}

TEST_CASE("damp takes NaN and Inf as silence, refuses what is out of range and never allocates",
          "[dynamics]") {
    auto s = one_band(180, 600, 200);
    s.high_db_per_s = 100;
    auto x = noise(4'000, 0.1f, 11), clean = x;
    for (std::size_t n = 100; n < 110; ++n) {
        clean[n] = 0.0f;
        x[n] = n % 2 == 0 ? std::numeric_limits<float>::quiet_NaN() : std::numeric_limits<float>::infinity();
    }
    CHECK(damped(s, 48'000, x) == damped(s, 48'000, clean));

    Damp<float> damp;
    CHECK_FALSE(damp.prepare(7'999.0));
    CHECK_FALSE(damp.prepare(std::numeric_limits<double>::quiet_NaN()));
    REQUIRE(damp.set(s) == nullptr);
    auto wrong = s;
    wrong.bands[0].q = 0.0;
    REQUIRE(damp.set(wrong) != nullptr);
    CHECK(damp.set(wrong)->key == "q");

    const RealTimeGuard guard;
    s.amount = 0.5, s.band_count = 3;
    const bool taken = damp.set(s) == nullptr;
    damp.process(x.data(), x.data(), x.size());
    CHECK(guard.calls() == 0);
    CHECK(taken);
}

TEST_CASE("damp in float is damp in double but for 20 dB less than a mic's own noise", "[dynamics]") {
    const double rate_hz = GENERATE(8e3, 48e3, 192e3);
    auto s = for_drum(membrane(60.0, 800.0), membrane(60.0, 800.0, 20.0));
    s.tail_db_per_s = 20, s.high_db_per_s = 60;
    std::vector<float> x = noise(static_cast<std::size_t>(3.0 * rate_hz), 1e-4f, 12); // -80 dBFS
    for (int n = 0; n < 8; ++n) strike(x, rate_hz, 0.05 + 0.31 * n, membrane(60.0, 800.0));
    std::vector<float> single(x.size()), exact(x.size());
    Damp<float> in_float;
    Damp<double> in_double;
    REQUIRE((in_float.prepare(rate_hz) && in_double.prepare(rate_hz)));
    REQUIRE((in_float.set(s) == nullptr && in_double.set(s) == nullptr));
    in_float.process(x.data(), single.data(), x.size()), in_double.process(x.data(), exact.data(), x.size());
    double error = 0.0;
    for (std::size_t n = 0; n < x.size(); ++n)
        error += (double(single[n]) - double(exact[n])) * (double(single[n]) - double(exact[n]));
    CHECK(10.0 * std::log10(error / double(x.size())) <
          -100.0); // -138, -126, -113: it is in the ring's own band
}
