#include "dynamics/gate.h"
#include "real_time_guard.h"
#include <catch2/catch.hpp>

using namespace kitfold::dsp;

namespace {

constexpr double kRate = 48'000.0;

Gate<float, double> make(const GateSettings& s, double rate_hz = kRate) {
    Gate<float, double> gate;
    REQUIRE(gate.prepare(rate_hz));
    REQUIRE(gate.set(s) == nullptr);
    return gate;
}

/// What a gate does to a steady 1 while its key is `key`: its gain, sample by sample.
std::vector<float> gain_for(Gate<float, double>& gate, const std::vector<float>& key) {
    std::vector<float> one(key.size(), 1.0f), out(key.size());
    gate.process(one.data(), key.data(), out.data(), key.size());
    return out;
}

std::vector<float> burst(std::size_t before, std::size_t length, std::size_t after, float level) {
    std::vector<float> k(before + length + after, 0.0f);
    std::fill_n(k.begin() + static_cast<std::ptrdiff_t>(before), length, level);
    return k;
}

double db(float x) { return db_from_gain(static_cast<double>(x)); }

/// Σ A_k e^(-α_k t) cos(ω_k t) with the ideal membrane's first three ratios (1, 1.593, 2.136).
std::vector<float> drum(double hz, double t60_s, double level, double rate_hz, double seconds) {
    std::vector<float> x(static_cast<std::size_t>(seconds * rate_hz));
    const double ratios[] = {1.0, 1.593, 2.136}, amplitudes[] = {0.85, 0.1, 0.05};
    for (std::size_t n = 0; n < x.size(); ++n) {
        const double t = static_cast<double>(n) / rate_hz;
        double v = 0.0;
        for (int k = 0; k < 3; ++k) v += amplitudes[k] * std::cos(2.0 * M_PI * hz * ratios[k] * t);
        x[n] = static_cast<float>(level * v * std::exp(-6.908 * t / t60_s));
    }
    return x;
}

} // namespace

TEST_CASE("gate: attack is the time from range to unity, release back, both linear in dB", "[dynamics]") {
    const double attack_ms = GENERATE(0.5, 5.0, 50.0), release_ms = GENERATE(5.0, 200.0);
    auto gate = make({.threshold_db = -20,
                      .attack_ms = attack_ms,
                      .hold_ms = 0,
                      .release_ms = release_ms,
                      .range_db = -40});
    const std::size_t before = 100, length = 4'800, after = 14'400;
    const auto g = gain_for(gate, burst(before, length, after, 0.5f));
    CHECK(db(g[before - 1]) == Approx(-40.0).epsilon(0).margin(0.001));
    const auto attack = static_cast<std::size_t>(attack_ms * kRate / 1000.0);
    CHECK(db(g[before + attack / 2 - 1]) ==
          Approx(-20.0).epsilon(0).margin(0.01)); // half the time, half the dB
    CHECK(g[before + attack] == 1.0f);
    CHECK(g[before + attack - 2] < 1.0f);
    // the key leaves the detector's window 12 to 16 ms after it ends
    std::size_t closes = before + length;
    while (closes < g.size() && g[closes] == 1.0f) ++closes;
    CHECK(closes - before - length >= 575);
    CHECK(closes - before - length <= 769);
    const auto release = static_cast<std::size_t>(release_ms * kRate / 1000.0);
    CHECK(db(g[closes + release / 4 - 1]) == Approx(-10.0).epsilon(0).margin(0.01));
    CHECK(db(g[closes + release]) == Approx(-40.0).epsilon(0).margin(0.001));
}

TEST_CASE("gate: hold keeps it open that long after the level has fallen", "[dynamics]") {
    const double hold_ms = GENERATE(0.0, 60.0, 2000.0);
    auto with = make({.threshold_db = -20, .hold_ms = hold_ms}),
         without = make({.threshold_db = -20, .hold_ms = 0});
    const auto key = burst(10, 1000, 120'000, 0.5f);
    const auto closes = [&](Gate<float, double>& gate) {
        const auto g = gain_for(gate, key);
        return std::find_if(g.begin() + 1000, g.end(), [](float x) { return x < 1.0f; }) - g.begin();
    };
    CHECK(closes(with) - closes(without) == std::lround(hold_ms * kRate / 1000.0));
}

TEST_CASE("gate: threshold and hysteresis", "[dynamics]") {
    const auto steady = [](float level) { return burst(0, 9'600, 0, level); };
    auto gate = make({.threshold_db = -20, .hysteresis_db = 6, .hold_ms = 0, .release_ms = 5});
    CHECK(gain_for(gate, steady(0.0999f)).back() ==
          Approx(0.01f).epsilon(1e-3));                     // -20.009 dB: stays shut at -40 dB
    CHECK(gain_for(gate, steady(0.1001f)).back() == 1.0f);  // -19.99 dB
    CHECK(gain_for(gate, steady(0.0502f)).back() == 1.0f);  // -25.99 dB: still open
    CHECK(gain_for(gate, steady(0.0500f)).back() < 0.011f); // -26.02 dB: shut
}

TEST_CASE("gate: full mute is silence", "[dynamics]") {
    auto gate = make({.threshold_db = -20, .range_db = kOffDb});
    const auto g = gain_for(gate, burst(500, 100, 20'000, 0.5f));
    CHECK(g.front() == 0.0f);
    CHECK(*std::max_element(g.begin(), g.end()) == 1.0f);
    CHECK(g.back() == 0.0f);
}

TEST_CASE("gate: a decaying drum opens once and closes once", "[dynamics]") {
    // peaks between 0.85 + 0.15 and 0.85 - 0.15: 3.1 dB of ripple, less than the hysteresis of 4 dB
    const double hz = GENERATE(45.0, 60.0, 82.0, 180.0), rate_hz = GENERATE(44'100.0, 192'000.0);
    for (double threshold = -50.0; threshold <= -6.0; threshold += 1.7) {
        auto gate = make({.threshold_db = threshold, .hold_ms = 0, .release_ms = 5}, rate_hz);
        const auto key = drum(hz, 0.5, 0.9, rate_hz, 1.0);
        const auto g = gain_for(gate, key);
        int turns = 0;
        for (std::size_t n = 1; n < g.size(); ++n)
            if ((g[n] > g[n - 1]) && (n < 2 || g[n - 1] <= g[n - 2])) ++turns;
        INFO("threshold " << threshold << " dB, " << hz << " Hz");
        CHECK(turns <= 1);
        CHECK(g.back() < 0.02f);
    }
}

TEST_CASE("gate: look-ahead is the latency and lets the hit through whole", "[dynamics]") {
    auto gate = make({.threshold_db = -20, .attack_ms = 2, .lookahead_ms = 2});
    CHECK(gate.latency() == 96);
    std::vector<float> x(2000, 0.0f), out(2000);
    x[500] = 0.8f;
    gate.process(x.data(), x.data(), out.data(), x.size());
    CHECK(out[596] == 0.8f);
    auto late = make({.threshold_db = -20, .attack_ms = 2});
    CHECK(late.latency() == 0);
    late.process(x.data(), x.data(), out.data(), x.size());
    CHECK(out[500] < 0.01f);
}

TEST_CASE("gate: key filters keep cymbals and lows out, key listen plays the key", "[dynamics]") {
    auto gate = make({.threshold_db = -20,
                      .range_db = -60,
                      .key_listen = true,
                      .key_high_pass_hz = 100,
                      .key_low_pass_hz = 1000});
    std::vector<float> zero(9600, 0.0f), out(9600), key(9600);
    const auto level_at = [&](double hz) {
        for (std::size_t n = 0; n < key.size(); ++n)
            key[n] = static_cast<float>(std::sin(2.0 * M_PI * hz / kRate * double(n)));
        gate.reset();
        gate.process(zero.data(), key.data(), out.data(), key.size());
        return db(*std::max_element(out.end() - 4800, out.end()));
    };
    CHECK(level_at(10'000.0) < -39.0); // Butterworth, 12 dB per octave: 3.3 octaves above 1 kHz
    CHECK(level_at(10.0) < -39.0);
    CHECK(std::abs(level_at(316.0)) < 0.2);
}

TEST_CASE("gate: setting changes make no step, and the audio thread's rules hold", "[dynamics]") {
    auto gate = make({.threshold_db = -60, .range_db = -20});
    std::vector<float> one(48'000, 1.0f), out(48'000);
    gate.process(one.data(), one.data(), out.data(), 4800);
    int calls = 0;
    for (std::size_t at = 4800; at < out.size(); at += 100) {
        const RealTimeGuard guard;
        (void)gate.set({.threshold_db = at % 3 == 0 ? -60.0 : 0.0,
                        .attack_ms = 5,
                        .range_db = at % 2000 < 1000 ? -20.0 : -80.0,
                        .lookahead_ms = at % 4000 < 2000 ? 0.0 : 3.0});
        gate.process(one.data(), one.data(), out.data() + at, 100);
        calls += guard.calls();
    }
    CHECK(calls == 0);
    double step = 0.0;
    for (std::size_t n = 4801; n < out.size(); ++n)
        step = std::max(step, std::abs(static_cast<double>(out[n]) - out[n - 1]));
    CHECK(step < 0.05); // attack of 5 ms over 80 dB: at most 0.33 dB a sample, 0.039 near unity
}

TEST_CASE("gate: lanes equal the scalar, whatever the block size", "[dynamics]") {
    Gate<xsimd::batch<float, xsimd::sse2>, double, xsimd::batch<double, xsimd::sse2>>
        lanes; // the fourth is not used
    Gate<float, double> scalar[2];
    REQUIRE(lanes.prepare(kRate));
    GateSettings s[2] = {
        {.threshold_db = -30, .range_db = kOffDb, .lookahead_ms = 1.5, .key_low_pass_hz = 2000},
        {.threshold_db = -12, .attack_ms = 9, .hold_ms = 1}};
    for (std::size_t k = 0; k < 2; ++k) {
        REQUIRE(lanes.set(s[k], k + 1) == nullptr); // on both sides of where the blocks of double meet
        REQUIRE((scalar[k].prepare(kRate) && scalar[k].set(s[k]) == nullptr));
    }
    const auto x = drum(82.0, 0.3, 0.9, kRate, 0.5);
    std::vector<float> wide(4 * x.size()), out(x.size());
    for (std::size_t n = 0; n < x.size(); ++n) wide[4 * n + 1] = wide[4 * n + 2] = x[n];
    for (std::size_t at = 0, size = 1; at < x.size(); at += size, size = size % 201 + 1) {
        size = std::min(size, x.size() - at);
        lanes.process(wide.data() + 4 * at, wide.data() + 4 * at, wide.data() + 4 * at, size);
    }
    for (std::size_t k = 0; k < 2; ++k) {
        scalar[k].process(x.data(), x.data(), out.data(), x.size());
        for (std::size_t n = 0; n < x.size(); ++n) REQUIRE(out[n] == wide[4 * n + k + 1]);
        CHECK(scalar[k].open_samples() == lanes.open_samples(k + 1));
    }
}

TEST_CASE("gate: a key measured in float has the level of one measured in double", "[dynamics]") {
    const double rate_hz = GENERATE(8e3, 48e3, 192e3, 384e3), loud = GENERATE(1.0, 0.01);
    const GateSettings s{.key_high_pass_hz = 20.0, .key_low_pass_hz = 2'000.0};
    const auto key = drum(60.0, 0.5, loud, rate_hz, 0.5);
    std::vector<float> single(key.size()), exact(key.size());
    KeyDetector<float> in_float;
    KeyDetector<double> in_double;
    REQUIRE((in_float.prepare(rate_hz) && in_double.prepare(rate_hz)));
    in_float.set(s), in_double.set(s);
    in_float.process(key.data(), single.data(), nullptr, key.size());
    in_double.process(key.data(), exact.data(), nullptr, key.size());
    double most_db = 0.0;
    for (std::size_t n = 0; n < key.size(); ++n)
        if (exact[n] > 1e-4 * loud)
            most_db = std::max(most_db, 20.0 * std::abs(std::log10(double(single[n]) / double(exact[n]))));
    CHECK(most_db < 0.01); // down to 80 dB under the stroke; a hundredth of what a threshold is set to
}
