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

/// Pans as a session for this kit has them.
std::vector<TakeMic> panned(std::vector<TakeMic> mics) {
    for (auto& mic : mics) {
        const auto is = [&](Role role) { return mic.role == role; };
        mic.pan = is(Role::overhead_left)                 ? -0.75
                  : is(Role::overhead_right)              ? 0.75
                  : is(Role::hihat) || is(Role::rack_tom) ? -0.3
                  : is(Role::floor_tom) || is(Role::ride) ? 0.3
                                                          : 0.0;
    }
    return mics;
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
    return misplaced_mics(take, hits, judge_image(take, hits), measures);
}

} // namespace

namespace {

using Exchanges = std::vector<std::pair<Role, Role>>;

void check_exchanged(const Exchanges& exchanges) {
    const auto tone = GENERATE(Tone::open, Tone::deadened);
    const Simulator simulator(take_options(tone == Tone::open ? 61 : 62, tone));
    const auto mics = panned(simulator.take_mics());
    const auto samples = simulator.render();
    CHECK(misplaced(samples, mics).empty());
    for (const auto& [one, other] : exchanges) {
        const auto a = *simulator.mic(one), b = *simulator.mic(other);
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

} // namespace

TEST_CASE("close mics exchanged are found, and named", "[analysis][patching]") {
    check_exchanged({{Role::rack_tom, Role::floor_tom},
                     {Role::kick_in, Role::snare_top},
                     {Role::kick_in, Role::kick_out},
                     {Role::snare_top, Role::rack_tom},
                     {Role::kick_in, Role::floor_tom},
                     {Role::overhead_left, Role::overhead_right}});
}

TEST_CASE("hi-hat and floor tom, and the heads of a snare, exchanged are found", "[analysis][patching]") {
    check_exchanged({{Role::hihat, Role::floor_tom}});
    check_exchanged({{Role::snare_top, Role::snare_bottom}});
}

TEST_CASE("a file that is late is no wrong cable", "[analysis][patching]") {
    const Simulator simulator(take_options(64, Tone::open));
    const auto mics = panned(simulator.take_mics());
    const auto samples = simulator.render();
    for (const auto role : {Role::snare_top, Role::kick_in, Role::rack_tom, Role::overhead_left}) {
        auto x = samples;
        auto& late = x[*simulator.mic(role)];
        late.insert(late.begin(), 480, 0.0f); // 10 ms, as of a converter or a nudged clip
        late.resize(samples[0].size());
        CAPTURE(int(role));
        CHECK(misplaced(x, mics).empty());
    }
}

TEST_CASE("overheads seen from the other side, or panned over, are no fault", "[analysis][patching]") {
    const Simulator simulator(take_options(65, Tone::open));
    auto mics = panned(simulator.take_mics());
    auto x = simulator.render();
    std::swap(x[*simulator.mic(Role::overhead_left)], x[*simulator.mic(Role::overhead_right)]);
    const auto faults = [&] { return misplaced(x, mics); };
    REQUIRE(faults().size() == 2);
    CHECK(faults()[0].misplaced == Misplaced::by_side);
    SECTION("the pans of the overheads exchanged") {
        for (auto& mic : mics)
            if (is_overhead(mic.role)) mic.pan = -mic.pan;
        CHECK(faults().empty());
    }
    SECTION("every close mic panned as the audience sees it") {
        for (auto& mic : mics)
            if (!is_overhead(mic.role)) mic.pan = -mic.pan;
        CHECK(faults().empty());
    }
}

TEST_CASE("a room mic under a tom's name hears that tom after the overheads", "[analysis][patching]") {
    const Simulator simulator(take_options(63, Tone::deadened));
    const auto mics = panned(simulator.take_mics());
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
        for (const auto& f : misplaced(simulator.render(), panned(simulator.take_mics())))
            FAIL_CHECK(seed << ": " << simulator.mics()[f.mic].name << " " << int(f.misplaced));
    }
}
