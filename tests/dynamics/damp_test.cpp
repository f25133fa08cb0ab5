#include "dynamics/damp.h"
#include <catch2/catch.hpp>
#include <cstring>
#include <random>
#include <vector>

using namespace kitfold::dsp;

namespace {

DampSettings one_band(double hz, double open_ms, double ring_ms, double q = 4.0) {
    DampSettings s;
    s.amount = 1.0, s.band_count = 1;
    s.bands[0] = {hz, q, ring_ms, open_ms};
    return s;
}

std::vector<float> damped(const DampSettings& settings, double rate_hz, std::vector<float> x) {
    Damp<double> damp;
    REQUIRE(damp.prepare(rate_hz));
    REQUIRE(damp.set(settings) == nullptr);
    damp.process(x.data(), x.data(), x.size());
    return x;
}

struct Partial {
    double hz, ring_ms, level;
};

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
    s.amount = 0.0, open.deadened = 0.0;
    for (const auto& settings : {s, open, DampSettings{}})
        CHECK(std::memcmp(damped(settings, 48'000, x).data(), x.data(), x.size() * sizeof(float)) == 0);
}

namespace {

/// T60 in ms of the partial at `hz` between -5 and -25 dB of its level 20 ms after `at_s`, by the level of a
/// Hann-windowed correlation and a straight line through it.
double ring_ms(const std::vector<float>& x, double rate_hz, double at_s, double hz, double window_s = 0.04) {
    const auto level = [&](double from_s) {
        const auto start = static_cast<std::size_t>(from_s * rate_hz),
                   length = static_cast<std::size_t>(window_s * rate_hz);
        double re = 0.0, im = 0.0;
        for (std::size_t n = 0; n < length && start + n < x.size(); ++n) {
            const double w = 0.5 - 0.5 * std::cos(2.0 * M_PI * (double(n) + 0.5) / double(length));
            const double phase = 2.0 * M_PI * hz * double(start + n) / rate_hz;
            re += w * x[start + n] * std::cos(phase), im += w * x[start + n] * std::sin(phase);
        }
        return 10.0 * std::log10(re * re + im * im + 1e-30);
    };
    const double top = level(at_s + 0.02);
    double sum_t = 0, sum_l = 0, sum_tt = 0, sum_tl = 0, count = 0;
    for (double t = at_s + 0.02; t + window_s < double(x.size()) / rate_hz; t += 0.005) {
        const double l = level(t) - top;
        if (l > -5.0) continue;
        if (l < -25.0) break;
        sum_t += t, sum_l += l, sum_tt += t * t, sum_tl += t * l, count += 1;
    }
    return -60'000.0 * (count * sum_tt - sum_t * sum_t) / (count * sum_tl - sum_t * sum_l);
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
    CHECK(ring_ms(x, rate_hz, 0.1, hz) == Approx(open_ms).epsilon(0.01).margin(0));
    CHECK(ring_ms(y, rate_hz, 0.1, hz) == Approx(share * open_ms).epsilon(0.05).margin(0));
}
