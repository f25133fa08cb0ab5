// What a mic brings, against libebur128 on the mixes with and without it.
#include "mix/worth.h"
#include "offline/audio/meters.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <numbers>
#include <random>

using namespace kitfold;

namespace {

constexpr double kRate = 48'000.0;

/// Three mics: bursts of noise, a steady tone, and the bursts again upside down and softer.
std::vector<std::vector<float>> three_mics() {
    std::mt19937 random(4);
    std::normal_distribution<float> gauss;
    std::vector<std::vector<float>> mics(3, std::vector<float>(std::size_t(12.0 * kRate)));
    for (std::size_t n = 0; n < mics[0].size(); ++n) {
        const double t = double(n) / kRate, burst = std::exp(-12.0 * std::fmod(t, 0.7));
        mics[0][n] = float(0.3 * burst) * gauss(random);
        mics[1][n] = float(0.05 * std::sin(2.0 * std::numbers::pi * 250.0 * t));
        mics[2][n] = -0.4f * mics[0][n];
    }
    return mics;
}

double loudness_of(const std::vector<std::vector<float>>& mics, const std::vector<dsp::StereoGain>& gains,
                   std::size_t out) {
    std::vector<float> left(mics[0].size()), right(left.size());
    for (std::size_t m = 0; m < mics.size(); ++m)
        for (std::size_t n = 0; n < left.size() && m != out; ++n)
            left[n] += float(gains[m].left) * mics[m][n], right[n] += float(gains[m].right) * mics[m][n];
    offline::StereoMeter meter{int(kRate)};
    meter.add(left.data(), right.data(), left.size());
    return meter.figures().loudness_lufs;
}

} // namespace

TEST_CASE("worth: loudness without a mic is what libebur128 measures without it", "[check]") {
    const auto mics = three_mics();
    const std::vector<dsp::StereoGain> gains{{0.9, 0.2}, {0.3, 0.5}, {0.7, 0.7}};
    dsp::WorthMeter meter(kRate, gains);
    const float* planes[3];
    for (std::size_t at = 0; at < mics[0].size(); at += 1'000) {
        for (std::size_t m = 0; m < 3; ++m) planes[m] = mics[m].data() + at;
        meter.push(planes, 1'000);
    }
    const double whole = loudness_of(mics, gains, 3);
    CHECK(meter.loudness_lufs() == Approx(whole).epsilon(0).margin(0.01));
    const auto worth = meter.finish();
    for (std::size_t m = 0; m < 3; ++m)
        CHECK(worth[m].change_lu == Approx(loudness_of(mics, gains, m) - whole).epsilon(0).margin(0.02));
    CHECK(worth[2].change_lu > 0.5); // it cancels: without it the kit is louder
    CHECK(worth[1].most_hz == 250.0);
}

TEST_CASE("worth: a mic that is needed twice a minute shows where it is loudest", "[check]") {
    // Two bursts of 0.1 s in 60 s of noise, as loud as it: twice the power there, by arithmetic, 3.01 dB.
    std::mt19937 random(5);
    std::normal_distribution<float> gauss(0.0f, 0.05f);
    std::vector<std::vector<float>> mics(2, std::vector<float>(std::size_t(60.0 * kRate)));
    for (std::size_t n = 0; n < mics[0].size(); ++n) {
        mics[0][n] = gauss(random);
        const bool burst = n / 4'800 == 100 || n / 4'800 == 400;
        mics[1][n] = burst ? gauss(random) : 0.0f;
    }
    dsp::WorthMeter meter(kRate, {{1.0, 1.0}, {1.0, 1.0}});
    const float* const planes[]{mics[0].data(), mics[1].data()};
    meter.push(planes, mics[0].size());
    const auto tom = meter.finish()[1];
    CHECK(std::abs(tom.change_lu) < 0.05);
    CHECK(tom.change_at_its_loudest_db == Approx(-10.0 * std::log10(2.0)).epsilon(0).margin(0.1));
}

TEST_CASE("worth: from which level on a mic is heard", "[check]") {
    // Noise and another noise 30 dB under it, both all along: the whole is 1 dB louder with it when it is
    // 10 lg(10^0.1 - 1) = -5.87 dB under the first, so 25 whole dB up.
    std::mt19937 random(6);
    std::normal_distribution<float> gauss(0.0f, 0.05f);
    std::vector<std::vector<float>> mics(2, std::vector<float>(std::size_t(20.0 * kRate)));
    for (std::size_t n = 0; n < mics[0].size(); ++n)
        mics[0][n] = gauss(random), mics[1][n] = std::pow(10.0f, -1.5f) * gauss(random);
    const float* const planes[]{mics[0].data(), mics[1].data()};
    const auto worth = [&](double raised_db) {
        const double gain = std::pow(10.0, raised_db / 20.0);
        dsp::WorthMeter meter(kRate, {{1.0, 1.0}, {gain, gain}});
        meter.push(planes, mics[0].size());
        return meter.finish()[1];
    };
    const auto now = worth(0.0);
    CHECK_FALSE(dsp::is_heard(now));
    REQUIRE(now.heard_raised_db);
    CHECK(*now.heard_raised_db == Approx(25.0).epsilon(0).margin(1.0)); // an octave may be there a dB earlier
    CHECK(dsp::is_heard(worth(*now.heard_raised_db)));
    CHECK_FALSE(dsp::is_heard(worth(*now.heard_raised_db - 1.0)));
    CHECK_FALSE(worth(-200.0).heard_raised_db); // as good as muted
}

TEST_CASE("worth: silence is worth nothing, and a lone mic everything", "[check]") {
    const std::vector<float> silence(48'000, 0.0f);
    const float* planes[]{silence.data()};
    dsp::WorthMeter meter(kRate, {{1.0, 1.0}});
    meter.push(planes, silence.size());
    CHECK(meter.finish()[0].change_lu == 0.0);
    const auto mics = three_mics();
    dsp::WorthMeter lone(kRate, {{1.0, 1.0}});
    const float* one[]{mics[1].data()};
    lone.push(one, mics[1].size());
    CHECK(std::isinf(lone.finish()[0].change_lu));
}
