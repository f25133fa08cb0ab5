#include "hits/null_beam.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <random>

using namespace kitfold::dsp;

namespace {

constexpr double kRateHz = 48'000.0;

/// Two bursts of noise in a pair of overheads: one that lasts all the time, and from 0.7 s to 0.8 s another.
struct TwoBursts {
    std::vector<std::vector<float>> samples{2, std::vector<float>(48'000)};
    /// Gains of both in left and right; the right one hears everything `late` samples after the left.
    TwoBursts(std::array<float, 2> lasting, std::array<float, 2> brief, std::size_t late) {
        std::mt19937 engine(3);
        std::normal_distribution<float> noise(0.0f, 0.1f);
        for (std::size_t n = 0; n + late < 48'000; ++n) {
            const float x = noise(engine), y = n > 33'600 && n < 38'400 ? noise(engine) : 0.0f;
            samples[0][n] = lasting[0] * x + brief[0] * y;
            samples[1][n + late] = lasting[1] * x + brief[1] * y;
        }
    }
    [[nodiscard]] NullBeam beam(std::ptrdiff_t lag = 0) const {
        const auto take = take_of(kRateHz, {{"Left", Role::overhead_left}, {"Right", Role::overhead_right}},
                                  {samples[0], samples[1]});
        const ScanFeatures nothing;
        std::vector<Ear> ears{Ear(nothing), Ear(nothing)};
        ears[1].lag = lag;
        const std::vector<std::ptrdiff_t> strokes{0};
        return NullBeam(take, overhead_pair(take.mics).value(), ears, strokes);
    }
};

double mean_db(const NullBeam& beam, std::ptrdiff_t first, std::ptrdiff_t last) {
    double sum = 0.0;
    for (auto f = first; f < last; ++f)
        for (std::size_t b = 0; b < kCourseBands; ++b) sum += static_cast<double>(beam.energy(f, b));
    return 10.0 * std::log10(sum / static_cast<double>(last - first));
}

/// The brief one by itself in the right mic, as a scan has it.
double alone_db(float gain) {
    MicScan scan(kRateHz);
    scan.push(TwoBursts({0.0f, 0.0f}, {0.0f, gain}, 0).samples[1]);
    const auto alone = scan.finish();
    double sum = 0.0;
    for (std::size_t f = 710; f < 790; ++f)
        for (std::size_t b = kScanBands - kCourseBands; b < kScanBands; ++b)
            sum += static_cast<double>(alone.energy(f, b));
    return 10.0 * std::log10(sum / 80.0);
}

} // namespace

TEST_CASE("beam: what lasts gives way, what is struck elsewhere stays", "[null_beam]") {
    // right - h left with h = 0.5 / 1: 0.8 - 0.5 * 0.3 = 0.65 of the brief one is left, and nothing of the
    // other.
    const auto beam = TwoBursts({1.0f, 0.5f}, {0.3f, 0.8f}, 0).beam();
    REQUIRE(beam.any());
    CHECK(mean_db(beam, 710, 790) == Approx(alone_db(0.65f)).epsilon(0).margin(0.5));
    CHECK(mean_db(beam, 300, 600) < mean_db(beam, 710, 790) - 40.0);
    const auto steps = beam.steps();
    CHECK(std::any_of(steps.begin(), steps.end(), [](auto f) { return std::abs(f - 700) <= 3; }));
}

TEST_CASE("beam: two files or mics may hear it at different times", "[null_beam]") {
    // The right file is 10 ms late, or its mic 1 ms farther away from everything.
    const std::size_t late = GENERATE(480u, 48u);
    const std::ptrdiff_t lag = late == 480 ? 10 : 0;
    const auto beam = TwoBursts({1.0f, 0.5f}, {0.3f, 0.8f}, late).beam(lag);
    REQUIRE(beam.any());
    CHECK(mean_db(beam, 710, 790) == Approx(alone_db(0.65f)).epsilon(0).margin(0.5));
    CHECK(mean_db(beam, 300, 600) < mean_db(beam, 710, 790) - 40.0);
}

TEST_CASE("beam: none where one mic says little of the other", "[null_beam]") {
    CHECK_FALSE(
        TwoBursts({1.0f, 0.0f}, {0.3f, 0.8f}, 0).beam().any()); // the right one hears nothing that lasts
    auto apart = TwoBursts({1.0f, 0.0f}, {0.0f, 0.0f}, 0);      // and here something else
    std::mt19937 engine(4);
    std::normal_distribution<float> noise(0.0f, 0.1f);
    for (float& x : apart.samples[1]) x = noise(engine);
    CHECK_FALSE(apart.beam().any());
}

TEST_CASE("beam: needs a left and a right overhead", "[null_beam]") {
    CHECK_FALSE(overhead_pair(std::vector<TakeMic>{{"Overhead", Role::overhead_left}}).has_value());
    CHECK_FALSE(NullBeam().any());
    CHECK(NullBeam().steps().empty());
}
