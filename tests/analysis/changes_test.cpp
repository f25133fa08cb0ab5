// What becomes different within a simulated take, put in from a given moment on.
#include "faults/changes.h"
#include "simulated_take.h"
#include <algorithm>
#include <array>
#include <catch2/catch.hpp>
#include <cmath>
#include <map>
#include <memory>

using namespace kitfold::dsp;
using namespace kitfold::test;

namespace {

const SimulatedTake& simulated(std::uint32_t seed) {
    static std::map<std::uint32_t, std::unique_ptr<SimulatedTake>> takes;
    auto& take = takes[seed];
    if (!take) {
        SimulatorOptions options;
        options.seconds = 90.0;
        options.seed = seed;
        options.lifelike = true;
        take = std::make_unique<SimulatedTake>(options);
    }
    return *take;
}

/// The take with one mic changed from half of it on; the hits are those of the take as it was.
struct Changed {
    Simulator::Planar samples;
    Take take;

    explicit Changed(const SimulatedTake& from) : samples(from.samples) {
        take = take_of(from.take.rate_hz, from.take.mics, {samples.begin(), samples.end()});
    }
    std::span<float> second_half(std::size_t mic) {
        return std::span(samples[mic]).subspan(samples[mic].size() / 2);
    }
};

std::size_t mic_of(const Take& take, Role role) {
    for (std::size_t m = 0; m < take.mics.size(); ++m)
        if (take.mics[m].role == role) return m;
    throw std::runtime_error("no such mic");
}

/// Three strokes of a drum in the first and in the last third that no other drum is near.
bool shown(const SimulatedTake& take, Drum drum) {
    std::array<int, 3> alone{};
    for (const auto& h : take.found_hits) {
        const auto near = [&](const Hit& other) {
            return other.drum != drum && other.time_s > h.time_s - 0.03 && other.time_s < h.time_s + 0.05;
        };
        if (h.drum == drum && std::none_of(take.found_hits.begin(), take.found_hits.end(), near))
            ++alone[std::size_t(3.0 * h.time_s / take.take.seconds())];
    }
    return alone[0] >= 3 && alone[2] >= 3;
}

/// Linear interpolation: late(t) in samples, of time in samples.
template <class Late> void delay(std::vector<float>& x, Late late) {
    const auto was = x;
    for (std::size_t n = 0; n < x.size(); ++n) {
        const double at = double(n) - late(double(n));
        const auto i = std::size_t(std::clamp(at, 0.0, double(x.size() - 2)));
        const auto w = float(std::clamp(at - double(i), 0.0, 1.0));
        x[n] = was[i] * (1.0f - w) + was[i + 1] * w;
    }
}

} // namespace

TEST_CASE("nothing changes in a take in which nothing changes", "[changes]") {
    const auto& take = simulated(GENERATE(11u, 12u));
    CHECK(changes_within(take.take, take.found_hits).empty());
}

TEST_CASE("a mic that grows softer is told, with how much", "[changes]") {
    const auto& take = simulated(GENERATE(11u, 12u));
    const auto role = GENERATE(Role::overhead_left, Role::snare_top, Role::kick_in);
    Changed changed(take);
    const auto mic = mic_of(take.take, role);
    for (auto& x : changed.second_half(mic)) x *= float(std::pow(10.0, -5.0 / 20.0));
    const auto found = changes_within(changed.take, take.found_hits);
    if (role == Role::kick_in && !shown(take, Drum::kick)) { // nothing else is heard in it
        CHECK(found.empty());
        return;
    }
    REQUIRE(found.size() == 1);
    CHECK((found[0].kind == ChangeKind::level && found[0].mics == std::vector{mic}));
    CHECK((found[0].from == 0 && found[0].to == 2));
    CHECK(found[0].amount == Approx(-5.0).epsilon(0).margin(1.0));
}

TEST_CASE("a cable that turns over within the take is told", "[changes]") {
    const auto& take = simulated(11);
    const auto role = GENERATE(Role::overhead_right, Role::snare_top, Role::kick_in);
    Changed changed(take);
    const auto mic = mic_of(take.take, role);
    for (auto& x : changed.second_half(mic)) x = -x;
    const auto found = changes_within(changed.take, take.found_hits);
    REQUIRE(found.size() == 1);
    CHECK((found[0].kind == ChangeKind::polarity && found[0].mics == std::vector{mic}));
}

TEST_CASE("a stand that sags by 17 cm is told", "[changes]") {
    const auto& take = simulated(GENERATE(11u, 12u));
    Changed changed(take);
    const auto mic = mic_of(take.take, Role::overhead_left);
    const double half = double(changed.samples[mic].size()) / 2.0;
    delay(changed.samples[mic], [&](double n) { return n < half ? 0.0 : 24.0; }); // 0.5 ms at 48 kHz
    const auto found = changes_within(changed.take, take.found_hits);
    REQUIRE(found.size() == 1);
    CHECK((found[0].kind == ChangeKind::arrival && found[0].mics == std::vector{mic}));
    CHECK(found[0].amount == Approx(0.5).epsilon(0).margin(0.05));
    CHECK(!found[0].steady);
}

TEST_CASE("two converters without a common clock are told as one drift of all their mics", "[changes]") {
    const auto& take = simulated(GENERATE(11u, 12u));
    Changed changed(take);
    const auto left = mic_of(take.take, Role::overhead_left), right = mic_of(take.take, Role::overhead_right);
    for (const auto mic : {left, right})
        delay(changed.samples[mic], [](double n) { return 10e-6 * n; }); // 10 ppm: 0.6 ms in 60 s
    const auto found = changes_within(changed.take, take.found_hits);
    REQUIRE(found.size() == 1);
    CHECK((found[0].kind == ChangeKind::arrival && found[0].mics == std::vector{left, right}));
    CHECK(found[0].amount ==
          Approx(10e-6 * 90'000.0 * 2.0 / 3.0).epsilon(0).margin(0.1)); // strokes aren't spread evenly
    CHECK(found[0].steady);
}
