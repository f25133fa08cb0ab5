// Rings of modal drums against the formula. Membrane ratios: Abramowitz and Stegun, table 9.5.
#include "ring/ring.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>
#include <random>

using namespace kitfold::dsp;

namespace {

struct Truth {
    double hz, ring_ms, amplitude;
};

/// T60 by the closed form of the backward integral of a sum of modes (their cross terms average out).
double modal_t60(const std::vector<Truth>& truth, double from_db, double to_db) {
    std::vector<double> t, level;
    const auto tail = [&](double at_ms) {
        double sum = 0.0;
        for (const auto& m : truth)
            sum += m.amplitude * m.amplitude * m.ring_ms * std::pow(10.0, -6.0 * at_ms / m.ring_ms);
        return sum;
    };
    double n = 0, x = 0, y = 0, xx = 0, xy = 0;
    for (double at = 0.0; at < 5000.0; at += 0.5) {
        const double db = 10.0 * std::log10(tail(at) / tail(0.0));
        if (db <= from_db && db >= to_db) n += 1, x += at, y += db, xx += at * at, xy += at * db;
    }
    return -60.0 * (n * xx - x * x) / (n * xy - x * y);
}

/// Hits 0.9 s apart, unlike in strength and phase, over mic noise; a click of a beater at each.
std::vector<std::vector<float>> struck(const std::vector<Truth>& truth, double rate_hz, double noise,
                                       unsigned seed, std::size_t hits, double seconds) {
    std::mt19937 random(seed);
    std::normal_distribution<double> gauss;
    std::uniform_real_distribution<double> uniform(0.0, 1.0);
    std::vector<std::vector<float>> out;
    const auto before = std::size_t(0.03 * rate_hz);
    for (std::size_t h = 0; h < hits; ++h) {
        std::vector<double> sum(before + std::size_t(rate_hz * seconds), 0.0);
        const double force = 0.4 + 0.6 * uniform(random);
        for (const auto& mode : truth) {
            const double phi = 2.0 * std::numbers::pi * uniform(random), tone = 0.8 + 0.4 * uniform(random);
            const double alpha = 3000.0 * std::log(10.0) / mode.ring_ms;
            for (std::size_t n = before; n < sum.size(); ++n) {
                const double t = double(n - before) / rate_hz;
                sum[n] += force * tone * mode.amplitude * std::exp(-alpha * t) *
                          std::cos(2.0 * std::numbers::pi * mode.hz * t + phi);
            }
        }
        for (std::size_t n = before; n < before + std::size_t(0.004 * rate_hz); ++n)
            sum[n] += 0.3 * force * gauss(random);
        auto& hit = out.emplace_back(sum.size());
        for (std::size_t n = 0; n < sum.size(); ++n) hit[n] = float(sum[n] + noise * gauss(random));
    }
    return out;
}

RingResult analysed(const std::vector<std::vector<float>>& hits, double rate_hz) {
    std::vector<RingHit> views;
    for (const auto& hit : hits) views.push_back({hit, std::size_t(0.03 * rate_hz)});
    return analyse_ring(views, rate_hz);
}

const RingPartial* nearest(const RingResult& result, double hz) {
    const auto at =
        std::min_element(result.partials.begin(), result.partials.end(), [=](const auto& a, const auto& b) {
            return std::abs(a.hz - hz) < std::abs(b.hz - hz);
        });
    return at == result.partials.end() ? nullptr : &*at;
}

std::vector<Truth> membrane(double hz, double ring_ms) {
    const double ratios[] = {1.0, 1.593, 2.136, 2.295, 2.653, 2.917};
    std::vector<Truth> truth;
    for (std::size_t k = 0; k < 6; ++k)
        truth.push_back({hz * ratios[k], ring_ms / (1.0 + 0.25 * double(k)), 1.0 / (1.0 + 0.6 * double(k))});
    return truth;
}

} // namespace

TEST_CASE("ring of a membrane: T60 of drum and partials within 10 %", "[analysis]") {
    const double rate_hz = GENERATE(8e3, 44.1e3, 48e3, 96e3);
    const double hz = GENERATE(62.0, 95.0, 190.0), ring_ms = GENERATE(250.0, 900.0);
    const auto truth = membrane(hz, ring_ms);
    const auto result = analysed(struck(truth, rate_hz, 3e-4, unsigned(hz), 8, 0.8), rate_hz);
    CAPTURE(rate_hz, hz, ring_ms);
    // 10 dB of the shortest are two periods and a half of 62 Hz, where phases don't average out.
    CHECK(result.decay.ring_ms == Approx(modal_t60(truth, 0.0, -10.0)).epsilon(0.15).margin(0));
    CHECK(result.decay.late_ms == Approx(modal_t60(truth, -5.0, -25.0)).epsilon(0.1).margin(0));
    for (const auto& mode : truth) {
        CAPTURE(mode.hz);
        const auto* partial = nearest(result, mode.hz);
        REQUIRE(partial != nullptr);
        CHECK(partial->hz == Approx(mode.hz).epsilon(0).margin(1.0));
        CHECK(partial->ring_ms == Approx(mode.ring_ms).epsilon(0).margin(0.1 * mode.ring_ms));
    }
}

TEST_CASE("ring with the next hit after 0.25 s and noise 40 dB down", "[analysis]") {
    const unsigned seed = GENERATE(1u, 2u, 3u, 4u);
    const auto truth = membrane(110.0, 600.0);
    const auto result = analysed(struck(truth, 48e3, 0.01, seed, 10, 0.25), 48e3);
    CHECK(result.decay.ring_ms > 0.0);
    CHECK(result.decay.range_db < 40.0); // and the result says that it could not look further
    for (const auto& mode : {truth[0], truth[1], truth[2]}) {
        const auto* partial = nearest(result, mode.hz);
        REQUIRE(partial != nullptr);
        CHECK(partial->ring_ms == Approx(mode.ring_ms).epsilon(0).margin(0.1 * mode.ring_ms));
    }
}

TEST_CASE("no ring is made up", "[analysis]") {
    const auto noise = struck({}, 48e3, 0.1, 1, 6, 0.5);
    const auto result = analysed(noise, 48e3);
    CHECK_FALSE(result.decay.judged());
    CHECK(result.partials.empty());
    CHECK(analysed({}, 48e3).hits == 0);
    CHECK(analysed({std::vector<float>(3000, 0.5f)}, 48e3).hits == 0); // 32 ms after the onset
    CHECK_FALSE(analysed({std::vector<float>(48'000, 0.0f)}, 48e3).decay.judged());
}
