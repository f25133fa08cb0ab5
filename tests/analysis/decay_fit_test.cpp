// Exponential decays of known T60; the fit ranges and the noise margin are those of ISO 3382-1:2009 (5.3.3).
#include "ring/decay_fit.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>
#include <random>

using namespace kitfold::dsp;

namespace {

constexpr double kBlockMs = 2.0;

/// Mean squares of 2 ms blocks of a decay with a given T60, `length_ms` long, and of noise `noise_db` under
/// its start.
std::vector<double> blocks_of_noise_decay(double ring_ms, double length_ms, double noise_db, unsigned seed) {
    std::mt19937 random(seed);
    std::normal_distribution<double> gauss;
    const double rate_hz = 48'000.0, alpha = 3.0 * std::log(10.0) / (ring_ms / 1000.0);
    const auto per_block = std::size_t(rate_hz * kBlockMs / 1000.0);
    std::vector<double> energy(std::size_t(length_ms / kBlockMs), 0.0);
    for (std::size_t n = 0; n < energy.size() * per_block; ++n) {
        const double x = std::exp(-alpha * double(n) / rate_hz) * gauss(random) +
                         std::pow(10.0, noise_db / 20.0) * gauss(random);
        energy[n / per_block] += x * x / double(per_block);
    }
    return energy;
}

std::vector<double> blocks_of_pure_decay(double ring_ms, double length_ms, double floor) {
    std::vector<double> energy(std::size_t(length_ms / kBlockMs));
    for (std::size_t i = 0; i < energy.size(); ++i)
        energy[i] = std::pow(10.0, -6.0 * double(i) * kBlockMs / ring_ms) + floor;
    return energy;
}

} // namespace

TEST_CASE("a pure exponential gives its own T60, early and over -5..-25 dB", "[analysis]") {
    const double ring_ms = GENERATE(80.0, 250.0, 800.0, 2000.0);
    const auto fit = fit_decay(blocks_of_pure_decay(ring_ms, 1.5 * ring_ms, 0.0), kBlockMs, 0.0);
    // closed form; the smoothing's rounding
    CHECK(fit.ring_ms == Approx(ring_ms).epsilon(0).margin(0.002 * ring_ms));
    CHECK(fit.late_ms == Approx(ring_ms).epsilon(0).margin(0.002 * ring_ms));
    CHECK(fit.range_db == Approx(90.0).epsilon(0).margin(5.0)); // 10 ms of smoothing at the end
}

TEST_CASE("the truncated tail is put back: a decay cut short by the next hit keeps its T60", "[analysis]") {
    const double cut_db = GENERATE(18.0, 24.0, 33.0, 45.0);
    const double ring_ms = 600.0;
    const auto fit = fit_decay(blocks_of_pure_decay(ring_ms, cut_db / 60.0 * ring_ms, 0.0), kBlockMs, 0.0);
    CHECK(fit.ring_ms == Approx(ring_ms).epsilon(0).margin(0.02 * ring_ms));
    CHECK((fit.late_ms > 0.0) == (cut_db > 30.0));
    if (fit.late_ms > 0.0) CHECK(fit.late_ms == Approx(ring_ms).epsilon(0).margin(0.02 * ring_ms));
}

TEST_CASE("steady noise is taken out and decides which lines are drawn", "[analysis]") {
    const double ring_ms = GENERATE(200.0, 700.0);
    const double noise_db = GENERATE(-28.0, -37.0, -60.0);
    const double floor = std::pow(10.0, noise_db / 10.0);
    const auto fit = fit_decay(blocks_of_pure_decay(ring_ms, 1500.0, floor), kBlockMs, floor);
    CHECK(fit.ring_ms == Approx(ring_ms).epsilon(0).margin(0.03 * ring_ms));
    CHECK((fit.late_ms > 0.0) == (noise_db < -35.0)); // 10 dB under the end of the line
    if (fit.late_ms > 0.0) CHECK(fit.late_ms == Approx(ring_ms).epsilon(0).margin(0.03 * ring_ms));
}

TEST_CASE("what else may sound under a decay keeps the lines 10 dB above it", "[analysis]") {
    const auto energy = blocks_of_pure_decay(400.0, 600.0, 0.0);
    CHECK(fit_decay(energy, kBlockMs, 0.0, std::pow(10.0, -3.6)).late_ms > 0.0);
    CHECK(fit_decay(energy, kBlockMs, 0.0, std::pow(10.0, -3.4)).late_ms == 0.0);
    CHECK(fit_decay(energy, kBlockMs, 0.0, std::pow(10.0, -2.1)).ring_ms > 0.0);
    CHECK(fit_decay(energy, kBlockMs, 0.0, std::pow(10.0, -1.9)).ring_ms == 0.0);
}

TEST_CASE("decaying noise in steady noise: T60 within 10 %", "[analysis]") {
    const unsigned seed = GENERATE(1u, 2u, 3u, 4u, 5u, 6u, 7u, 8u);
    const double ring_ms = GENERATE(300.0, 800.0);
    const auto fit = fit_decay(blocks_of_noise_decay(ring_ms, 1500.0, -50.0, seed), kBlockMs, 1e-5);
    CHECK(fit.late_ms == Approx(ring_ms).epsilon(0).margin(0.1 * ring_ms));
}

namespace {

/// T60 of a curve of one value a block, by a straight line through what lies between two levels.
double t60_by_hand(const std::vector<double>& curve, double from_db, double to_db) {
    double n = 0, x = 0, y = 0, xx = 0, xy = 0;
    for (std::size_t i = 0; i < curve.size(); ++i)
        if (curve[i] <= from_db && curve[i] >= to_db) {
            const double t = double(i) * kBlockMs;
            n += 1, x += t, y += curve[i], xx += t * t, xy += t * curve[i];
        }
    return -60.0 * (n * xx - x * x) / (n * xy - x * y);
}

} // namespace

TEST_CASE("two slopes: early decay and T20 of the closed-form curve", "[analysis]") {
    // E(t) = a exp(-2 alpha1 t) + b exp(-2 alpha2 t); its backward integral is a sum of the same
    // exponentials.
    std::vector<double> energy(1000), curve(1000);
    const double k = 6.0 * std::log(10.0), fast = k / 200.0, slow = k / 900.0;
    const auto tail = [&](double t) {
        return std::exp(-fast * t) / fast + 0.05 * std::exp(-slow * t) / slow;
    };
    for (std::size_t i = 0; i < energy.size(); ++i) {
        energy[i] = tail(double(i) * kBlockMs) - tail(double(i + 1) * kBlockMs);
        curve[i] = 10.0 * std::log10(tail(double(i) * kBlockMs) / tail(0.0));
    }
    const auto fit = fit_decay(energy, kBlockMs, 0.0);
    CHECK(fit.ring_ms == Approx(t60_by_hand(curve, 0.0, -10.0)).epsilon(0.01).margin(0));
    CHECK(fit.late_ms == Approx(t60_by_hand(curve, -5.0, -25.0)).epsilon(0.01).margin(0));
}

TEST_CASE("what cannot be judged is not judged", "[analysis]") {
    const auto nothing = [](const DecayFit& fit) { return fit.ring_ms == 0.0 && fit.late_ms == 0.0; };
    CHECK(nothing(fit_decay(std::vector<double>{}, kBlockMs, 0.0)));
    CHECK(nothing(fit_decay(std::vector<double>(300, 1.0), kBlockMs, 0.0)));             // steady
    CHECK(nothing(fit_decay(std::vector<double>(300, 0.0), kBlockMs, 0.0)));             // silence
    CHECK(nothing(fit_decay(blocks_of_pure_decay(600.0, 100.0, 0.0), kBlockMs, 0.0)));   // 10 dB only
    CHECK(nothing(fit_decay(blocks_of_pure_decay(600.0, 900.0, 0.05), kBlockMs, 0.05))); // 13 dB over noise
}
