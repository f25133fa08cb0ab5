#include "offline/audio/meters.h"
#include "offline/files.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <ebur128.h>
#include <random>

using namespace kitfold::offline;
using namespace kitfold::test;

namespace {

StereoFigures measured(const std::vector<float>& left, const std::vector<float>& right, int rate_hz = 48'000,
                       std::size_t block = 1'000) {
    StereoMeter meter(rate_hz);
    for (std::size_t at = 0; at < left.size(); at += block)
        meter.add(left.data() + at, right.data() + at, std::min(block, left.size() - at));
    return meter.figures();
}

double from_db(double db) { return std::pow(10.0, db / 20.0); }

/// Bursts of noise that die away, now loud, now soft: what a drum asks of a peak meter.
std::vector<float> bursts(std::size_t count, unsigned seed) {
    std::mt19937 random(seed);
    std::normal_distribution<float> noise(0.0f, 0.1f);
    std::uniform_int_distribution<int> gap(200, 9'000);
    std::vector<float> out(count);
    float envelope = 0.0f;
    int wait = 0;
    for (float& x : out) {
        if (wait-- == 0) wait = gap(random), envelope = static_cast<float>(random() % 100) / 50.0f;
        envelope *= 0.999f;
        x = noise(random) * envelope;
    }
    return out;
}

} // namespace

TEST_CASE("loudness range of two levels 10 dB apart", "[offline]") {
    // EBU Tech 3342, minimum requirements, case 1: 1 kHz, 20 s at -20 dBFS then 20 s at -30 dBFS reads 10 +-1
    // LU
    std::vector<float> sound = sine(1'000.0, from_db(-20.0), 20.0);
    const std::vector<float> softer = sine(1'000.0, from_db(-30.0), 20.0);
    sound.insert(sound.end(), softer.begin(), softer.end());
    CHECK(measured(sound, sound).range_lu == Approx(10.0).epsilon(0).margin(1.0));
}

TEST_CASE("loudness and its range are those of libebur128", "[offline]") {
    const int rate_hz = GENERATE(8'000, 44'100, 48'000, 96'000, 192'000);
    std::vector<float> left, right; // from loud to soft to silence: both gates have something to do
    for (const double db : {0.0, -12.0, -40.0, -90.0, -6.0, -25.0, -200.0, -8.0}) {
        const std::size_t count = static_cast<std::size_t>(rate_hz) * 5 + 321;
        const auto some = bursts(count, static_cast<unsigned>(left.size() + 1)), other = bursts(count, 5);
        for (std::size_t n = 0; n < count; ++n)
            left.push_back(static_cast<float>(from_db(db) * some[n])),
                right.push_back(static_cast<float>(from_db(db) * other[n]));
    }
    const StereoFigures figures = measured(left, right, rate_hz, 4'096);
    ebur128_state* state =
        ebur128_init(2, static_cast<unsigned long>(rate_hz), EBUR128_MODE_I | EBUR128_MODE_LRA);
    std::vector<float> both;
    for (std::size_t n = 0; n < left.size(); ++n) both.push_back(left[n]), both.push_back(right[n]);
    REQUIRE(ebur128_add_frames_float(state, both.data(), left.size()) == EBUR128_SUCCESS);
    double loudness = 0.0, range = 0.0;
    REQUIRE(ebur128_loudness_global(state, &loudness) == EBUR128_SUCCESS);
    REQUIRE(ebur128_loudness_range(state, &range) == EBUR128_SUCCESS);
    ebur128_destroy(&state);
    CHECK(figures.loudness_lufs == Approx(loudness).epsilon(0).margin(1e-6));
    CHECK(range > 10.0);
    CHECK(figures.range_lu == Approx(range).epsilon(0).margin(1e-6));
}

TEST_CASE("true peak between the samples", "[offline]") {
    // EBU Tech 3341, cases 15 to 18: sines at rate/4, /4, /6, /8 of peak 0.50 re full scale (0, 45, 60, 67.5
    // degrees) read -6.0 dBTP, +0.2, -0.4
    const auto [divisor, degrees] =
        GENERATE(table<double, double>({{4.0, 0.0}, {4.0, 45.0}, {6.0, 60.0}, {8.0, 67.5}}));
    std::vector<float> sound(48'000);
    for (std::size_t n = 0; n < sound.size(); ++n) {
        const double fade = std::min(1.0, double(std::min(n, sound.size() - n)) / 4'800.0);
        sound[n] = static_cast<float>(
            0.5 * fade * std::sin(2.0 * std::numbers::pi * (double(n) / divisor + degrees / 360.0)));
    }
    const StereoFigures figures = measured(sound, std::vector<float>(sound.size()));
    CHECK(figures.true_peak_dbtp > -6.4);
    CHECK(figures.true_peak_dbtp < -5.8);
    if (degrees == 45.0)
        CHECK(figures.sample_peak_dbfs == Approx(-9.03).epsilon(0).margin(0.01)); // 0.5 / sqrt(2)
}

TEST_CASE("true peak is libebur128's own, though not all samples are oversampled", "[offline]") {
    const int rate_hz = GENERATE(8'000, 48'000, 96'000, 192'000, 384'000);
    const std::size_t block = GENERATE(1, 700, 4'096);
    const unsigned seed = GENERATE(1u, 2u, 3u);
    const std::vector<float> left = bursts(100'000, seed), right = bursts(100'000, seed + 10);
    ebur128_state* whole = ebur128_init(2, static_cast<unsigned long>(rate_hz), EBUR128_MODE_TRUE_PEAK);
    std::vector<float> interleaved;
    for (std::size_t n = 0; n < left.size(); ++n)
        interleaved.push_back(left[n]), interleaved.push_back(right[n]);
    ebur128_add_frames_float(whole, interleaved.data(), left.size());
    double l = 0.0, r = 0.0;
    ebur128_true_peak(whole, 0, &l), ebur128_true_peak(whole, 1, &r);
    ebur128_destroy(&whole);
    CHECK(measured(left, right, rate_hz, block).true_peak_dbtp == peak_db(std::max(l, r)));
}

TEST_CASE("correlation and loss in mono", "[offline]") {
    const std::vector<float> tone = sine(1'000.0, 0.5, 1.0), silence(tone.size());
    std::vector<float> quarter(tone.size()), opposite(tone.size());
    for (std::size_t n = 0; n < tone.size(); ++n) {
        quarter[n] = static_cast<float>(0.5 * std::cos(2.0 * std::numbers::pi * double(n) / 48.0));
        opposite[n] = -tone[n];
    }
    const auto check = [&](const std::vector<float>& right, double correlation, double loss_db) {
        const StereoFigures figures = measured(tone, right);
        CHECK(figures.correlation == Approx(correlation).epsilon(0).margin(1e-6));
        CHECK(figures.mono_loss_db == Approx(loss_db).epsilon(0).margin(1e-4));
    };
    check(tone, 1.0, 0.0);
    check(quarter, 0.0, 10.0 * std::log10(2.0)); // sine and cosine have nothing in common
    check(silence, 0.0, 10.0 * std::log10(2.0));
    const StereoFigures cancelled = measured(tone, opposite);
    CHECK(cancelled.correlation == -1.0);
    CHECK(cancelled.mono_loss_db == std::numeric_limits<double>::infinity());
}

TEST_CASE("silence measures as silence", "[offline]") {
    const std::vector<float> silence(48'000);
    const StereoFigures figures = measured(silence, silence);
    CHECK(figures.loudness_lufs == kSilenceDb);
    CHECK(figures.true_peak_dbtp == kSilenceDb);
    CHECK(figures.range_lu == 0.0);
    CHECK(figures.correlation == 0.0);
    CHECK(figures.mono_loss_db == 0.0);
}
