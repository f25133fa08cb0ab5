// Clicks and noise put into one mic of a simulated take, which no drum in the room could leave in it alone.
#include "faults/electric.h"
#include "simulated_take.h"
#include "synth/random.h"
#include <catch2/catch.hpp>
#include <cmath>
#include <memory>

using namespace kitfold::dsp;
using namespace kitfold::test;

namespace {

constexpr double kRate = 48'000.0;

const SimulatedTake& simulated() {
    static const auto take = [] {
        SimulatorOptions options;
        options.seconds = 40.0;
        options.seed = 14;
        options.lifelike = true;
        return std::make_unique<SimulatedTake>(options);
    }();
    return *take;
}

std::vector<MicMeasure> measured(const Simulator::Planar& samples) {
    std::vector<MicMeasure> out;
    for (const auto& x : samples) {
        MicMeter meter(kRate);
        meter.push(x);
        out.push_back(meter.finish());
    }
    return out;
}

} // namespace

TEST_CASE("a cable that crackles is told, and no other mic", "[faults]") {
    auto samples = simulated().samples;
    const auto mic = GENERATE(range(std::size_t(0), std::size_t(10)));
    // bursts of 0.2 to 3 ms, peaks about -14 dBFS, one every 3.1 s
    WhiteNoise white(5);
    std::vector<double> at_s;
    for (int n = 0; n < 12; ++n) {
        at_s.push_back(1.7 + 3.1 * n);
        const auto first = std::size_t(at_s.back() * kRate);
        for (std::size_t k = 0; k < 10 + std::size_t(n) * 12; ++k)
            samples[mic][first + k] += 0.1f * float(white.next());
    }
    const auto found = crackles(measured(samples));
    REQUIRE(found.size() == 1);
    CHECK((found[0].kind == FaultKind::crackle && found[0].mic == mic));
    CHECK((found[0].count >= 3 && found[0].count <= at_s.size()));
    const auto near = [&](double t) { return std::abs(t - *found[0].at_s) < 0.004; };
    CHECK(std::any_of(at_s.begin(), at_s.end(), near));
    CHECK(found[0].level_db > -20.0);
    CHECK(found[0].level_db < -4.0);
}

TEST_CASE("noise that begins within a take is told with how much, in that mic alone", "[changes]") {
    auto samples = simulated().samples;
    CHECK(noise_changes(measured(samples)).empty());
    const auto mic = GENERATE(std::size_t(0), std::size_t(4), std::size_t(8));
    const bool from_the_beginning = GENERATE(true, false);
    // white noise of -64 and -52 dBFS, the simulator's own lies 14 dB under it
    WhiteNoise white(6);
    auto& x = samples[mic];
    for (std::size_t n = 0; n < x.size(); ++n) {
        const bool loud = (n < x.size() / 2) == from_the_beginning;
        x[n] += float(white.next()) * float(std::pow(10.0, (loud ? -52.0 : -64.0) / 20.0));
    }
    const auto found = noise_changes(measured(samples));
    REQUIRE(found.size() == 1);
    CHECK((found[0].kind == ChangeKind::noise && found[0].mics == std::vector{mic}));
    CHECK(found[0].amount == Approx(12.0).epsilon(0).margin(1.0));
    CHECK((found[0].from == (from_the_beginning ? 2u : 0u) && found[0].to == (from_the_beginning ? 0u : 2u)));
}
