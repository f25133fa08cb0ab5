// Mics under a wrong name, in simulated takes: every exchange of two close mics is found and nothing in
// clean takes.
#include "faults/patching.h"
#include "simulated_take.h"
#include "take/mic_measure.h"
#include "take/mic_scan.h"
#include <catch2/catch.hpp>
#include <utility>

using namespace kitfold::dsp;
using kitfold::test::SimulatedTake;

namespace {

SimulatorOptions take_options(std::uint64_t seed, Tone tone) {
    SimulatorOptions options;
    options.seed = seed, options.seconds = 30.0, options.tone = tone;
    return options;
}

/// As the check goes about it.
std::vector<Fault> misplaced(const Simulator::Planar& x, const std::vector<TakeMic>& mics) {
    const auto take = take_of(48'000.0, mics, {x.begin(), x.end()});
    std::vector<MicMeasure> measures;
    std::vector<ScanFeatures> scans;
    for (const auto& samples : x) {
        MicMeter meter(take.rate_hz);
        meter.push(samples);
        measures.push_back(meter.finish());
        MicScan scan(take.rate_hz);
        scan.push(samples);
        scans.push_back(scan.finish());
    }
    const auto hits = find_hits(take, scans);
    return misplaced_mics(take, hits, judge_pairs(take, hits).pairs, measures);
}

} // namespace

TEST_CASE("close mics exchanged are found, and named", "[analysis][patching]") {
    const auto tone = GENERATE(Tone::open, Tone::deadened);
    const Simulator simulator(take_options(tone == Tone::open ? 61 : 62, tone));
    const auto mics = simulator.take_mics();
    const auto samples = simulator.render();
    CHECK(misplaced(samples, mics).empty());
    const std::pair<Role, Role> exchanges[] = {
        {Role::rack_tom, Role::floor_tom}, {Role::kick_in, Role::snare_top},
        {Role::kick_in, Role::kick_out},   {Role::snare_top, Role::snare_bottom},
        {Role::snare_top, Role::rack_tom}, {Role::kick_in, Role::floor_tom},
        {Role::hihat, Role::floor_tom}};
    for (const auto& [one, other] : exchanges) {
        std::size_t a = 0, b = 0;
        for (std::size_t m = 0; m < mics.size(); ++m)
            if (mics[m].role == one)
                a = m;
            else if (mics[m].role == other)
                b = m;
        auto x = samples;
        std::swap(x[a], x[b]);
        const auto faults = misplaced(x, mics);
        CAPTURE(mics[a].name, mics[b].name, faults.size());
        REQUIRE(faults.size() == 2);
        CHECK(std::min(faults[0].mic, faults[1].mic) == std::min(a, b));
        CHECK(std::max(faults[0].mic, faults[1].mic) == std::max(a, b));
        CHECK(faults[0].other == faults[1].mic);
    }
}

TEST_CASE("a room mic under a tom's name hears that tom after the overheads", "[analysis][patching]") {
    const Simulator simulator(take_options(63, Tone::deadened));
    const auto mics = simulator.take_mics();
    auto x = simulator.render();
    std::size_t tom = 0, room = 0;
    for (std::size_t m = 0; m < mics.size(); ++m)
        if (mics[m].role == Role::rack_tom)
            tom = m;
        else if (mics[m].role == Role::room_mono)
            room = m;
    std::swap(x[tom], x[room]);
    const auto faults = misplaced(x, mics);
    CHECK(std::any_of(faults.begin(), faults.end(), [=](const Fault& f) { return f.mic == tom; }));
}

TEST_CASE("no mic of a clean take is called misplaced", "[.table]") {
    for (std::uint64_t seed = 101; seed <= 120; ++seed) {
        const Simulator simulator(take_options(seed, seed % 2 == 0 ? Tone::open : Tone::deadened));
        for (const auto& f : misplaced(simulator.render(), simulator.take_mics()))
            FAIL_CHECK(seed << ": " << simulator.mics()[f.mic].name << " " << int(f.misplaced));
    }
}
