// What needs no truth: a take and the same take at another rate, softer, starting later, its mics in another
// order, one of them dead.
#include "simulated_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold;
using namespace kitfold::dsp;

namespace {

using Samples = std::vector<std::vector<float>>;

std::vector<Hit> hits_of(double rate_hz, const std::vector<TakeMic>& mics, const Samples& samples) {
    return find_hits(take_of(rate_hz, mics, {samples.begin(), samples.end()}));
}

/// Hits of `a` that `b` has too, `later_s` later.
std::size_t same(const std::vector<Hit>& a, std::vector<Hit> b, double later_s) {
    std::size_t count = 0;
    for (const auto& h : a) {
        const auto there = std::find_if(b.begin(), b.end(), [&](const Hit& o) {
            return o.drum == h.drum && std::abs(o.time_s - later_s - h.time_s) < 0.001;
        });
        if (there != b.end()) ++count, b.erase(there);
    }
    return count;
}

void check_same(const std::vector<Hit>& a, const std::vector<Hit>& b, double later_s = 0.0) {
    const auto both = same(a, b, later_s);
    INFO(both << " of " << a.size() << " and " << b.size());
    CHECK(a.size() > 100);
    CHECK(100 * both >= 99 * a.size());
    CHECK(100 * both >= 99 * b.size());
}

SimulatorOptions options(double rate_hz) {
    SimulatorOptions o;
    o.seed = 21, o.seconds = 30.0, o.rate_hz = rate_hz;
    return o;
}

} // namespace

TEST_CASE("hits do not depend on level and order of the mics", "[check]") {
    const Simulator simulator(options(48'000.0));
    auto samples = simulator.render();
    auto mics = simulator.take_mics();
    const auto before = hits_of(48'000.0, mics, samples);
    SECTION("10 dB softer") {
        for (auto& x : samples)
            for (auto& v : x) v *= 0.316228f;
        check_same(before, hits_of(48'000.0, mics, samples));
    }
    SECTION("mics the other way round") {
        std::reverse(samples.begin(), samples.end());
        std::reverse(mics.begin(), mics.end());
        check_same(before, hits_of(48'000.0, mics, samples));
    }
}

TEST_CASE("hits do not depend on where a take starts", "[check]") {
    const Simulator simulator(options(48'000.0));
    auto samples = simulator.render();
    const auto before = hits_of(48'000.0, simulator.take_mics(), samples);
    for (auto& x : samples) x.insert(x.begin(), 17'779, 0.0f);
    check_same(before, hits_of(48'000.0, simulator.take_mics(), samples), 17'779.0 / 48'000.0);
}

// Not reached yet: 98.4 to 98.9 %. Two or three cymbals without a mic differ by 3 ms.
TEST_CASE("hits are the same at every rate", "[check][!mayfail]") {
    const auto at = [](double rate_hz) {
        const Simulator s(options(rate_hz));
        return hits_of(rate_hz, s.take_mics(), s.render());
    };
    check_same(at(48'000.0), at(GENERATE(44'100.0, 96'000.0)));
}

TEST_CASE("a dead mic costs no drum its strokes: another one of the drum speaks for it", "[check]") {
    const Role dead = GENERATE(Role::kick_in, Role::snare_top, Role::overhead_left, Role::room_mono);
    const Simulator simulator(options(48'000.0));
    auto samples = simulator.render();
    const auto mics = simulator.take_mics();
    std::fill(samples[*simulator.mic(dead)].begin(), samples[*simulator.mic(dead)].end(), 0.0f);
    const auto found = hits_of(48'000.0, mics, samples);
    for (const Drum d : {Drum::kick, Drum::snare, Drum::rack_tom, Drum::floor_tom, Drum::hihat}) {
        std::size_t strokes = 0, missed = 0, hits = 0;
        for (const auto& s : simulator.truth().strokes) {
            if (s.drum != d || s.strength_db < -24.0) continue;
            ++strokes;
            missed += std::none_of(found.begin(), found.end(), [&](const Hit& h) {
                return h.drum == d && std::abs(h.time_s - s.time_s) < 0.01;
            });
        }
        for (const auto& h : found) hits += h.drum == d;
        INFO(drum_name(d) << ": " << missed << " of " << strokes << " missed, " << hits << " found");
        CHECK(20 * missed <= strokes);
        CHECK(20 * hits <= 21 * strokes + 60);
    }
}
