// The takes that a gate of one channel cannot manage: a kit in which snare and cymbals are louder in the tom
// mics than the toms, judged against the simulator's truth.
#include "analysis/kit_key_learn.h"
#include "core/units.h"
#include "dynamics/gate.h"
#include "synth/simulator.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <map>
#include <utility>

using namespace kitfold::dsp;

namespace {

using Planar = Simulator::Planar;

float peak(const std::vector<float>& x) {
    float most = 0.0f;
    for (const float s : x) most = std::max(most, std::fabs(s));
    return most;
}

struct HardTake {
    explicit HardTake(Style style, std::uint64_t seed, bool louder_bleed) : simulator(options(style, seed)) {
        mics = simulator.render();
        for (const Role role : {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in}) {
            const auto m = *simulator.mic(role);
            own[role] = simulator.render_drum(*own_drum(role))[m];
        }
        if (louder_bleed)
            for (const Drum drum : {Drum::snare, Drum::cymbals}) raise(drum);
        std::vector<std::span<const float>> views(mics.begin(), mics.end());
        take = take_of(48'000.0, simulator.take_mics(), views);
        for (const auto& s : simulator.truth().strokes) {
            const auto m = own_mic(take.mics, s.drum);
            const double late_s = m ? simulator.truth().path(s.drum, *m).delay_ms / 1000.0 : 0.0;
            hits.push_back({s.time_s + late_s, s.drum, s.strength_db, true});
        }
        std::sort(hits.begin(), hits.end(), [](auto& a, auto& b) { return a.time_s < b.time_s; });
    }

    static SimulatorOptions options(Style style, std::uint64_t seed) {
        SimulatorOptions o;
        o.style = style, o.seed = seed, o.seconds = 60.0;
        return o;
    }

    /// The drum's loudest stroke is 2 dB louder in each tom mic than the tom's own loudest.
    void raise(Drum drum) {
        const auto stem = simulator.render_drum(drum);
        for (const Role role : {Role::rack_tom, Role::floor_tom}) {
            const auto m = *simulator.mic(role);
            const float gain = 1.26f * peak(own[role]) / peak(stem[m]) - 1.0f;
            for (std::size_t n = 0; n < stem[m].size(); ++n) mics[m][n] += gain * stem[m][n];
        }
    }

    Simulator simulator;
    Planar mics;
    std::map<Role, std::vector<float>> own; ///< the mic with nothing but its drum
    Take take;
    std::vector<Hit> hits;
};

struct Verdict {
    int missed = 0, wrong = 0;
    double kept_db = 0.0, bleed_db = 0.0;
};

/// Gain of a gate over time against the truth. Missed: not open (-3 dB) 15 ms after an own hit. Wrong: opens
/// where no own hit is. Kept: own energy that comes through. Bleed: what is left of all else from 1 s after
/// an own hit to 20 ms before the next.
Verdict judge(const HardTake& take, Role role, const std::vector<float>& key, GateSettings settings) {
    const auto m = *take.simulator.mic(role);
    const auto& own = take.own.at(role);
    std::vector<float> ones(own.size(), 1.0f), gain(own.size());
    Gate<double> gate;
    REQUIRE((gate.prepare(48'000.0) && gate.set(settings) == nullptr));
    gate.process(ones.data(), key.data(), gain.data(), gain.size());
    const std::size_t late = gate.latency(); // the gain of sample n comes out `late` samples on
    std::vector<std::size_t> times;
    for (const auto& h : take.hits)
        if (h.drum == own_drum(role)) times.push_back(static_cast<std::size_t>(h.time_s * 48'000.0));
    Verdict v;
    for (const auto t : times) {
        const auto from = gain.begin() + static_cast<std::ptrdiff_t>(t + late);
        if (*std::max_element(from, from + 720) < 0.7f) ++v.missed;
    }
    double own_in = 0.0, own_out = 0.0, bleed_in = 0.0, bleed_out = 0.0;
    bool open = false;
    std::size_t next = 0;
    for (std::size_t n = 0; n + late < own.size(); ++n) {
        while (next < times.size() && times[next] <= n) ++next;
        const double since_s = next > 0 ? static_cast<double>(n - times[next - 1]) / 48'000.0 : 1e9;
        const double until_s = next < times.size() ? static_cast<double>(times[next] - n) / 48'000.0 : 1e9;
        const bool was_open = std::exchange(open, gain[n + late] > 0.5f);
        if (open && !was_open && since_s > 0.05 && until_s > 0.012) ++v.wrong;
        const double g = gain[n + late], x = own[n], y = take.mics[m][n] - own[n];
        own_in += x * x, own_out += g * g * x * x;
        if (since_s > 1.0 && until_s > 0.02) bleed_in += y * y, bleed_out += g * g * y * y;
    }
    v.kept_db = 10.0 * std::log10(own_out / own_in);
    v.bleed_db = bleed_in > 0.0 ? 10.0 * std::log10(bleed_out / bleed_in) : -40.0;
    return v;
}

std::vector<std::vector<float>> keys_of(const HardTake& take, const KitKeyTable& table) {
    KitKey key;
    REQUIRE(key.prepare(48'000.0, take.mics.size()));
    key.set(table);
    auto keys = take.mics;
    std::vector<const float*> in;
    std::vector<float*> out;
    for (std::size_t m = 0; m < keys.size(); ++m)
        in.push_back(take.mics[m].data()), out.push_back(keys[m].data());
    key.process(in.data(), in.data(), out.data(), keys[0].size());
    return keys;
}

GateSettings tom_gate(double threshold_db) {
    return {.threshold_db = threshold_db, .attack_ms = 0.1, .hold_ms = 150.0, .release_ms = 300.0};
}

} // namespace

TEST_CASE("tom gates with the kit as their key manage takes in which bleed is louder than the toms",
          "[analysis]") {
    const HardTake take(Style::hard_sparse_toms, 1, true);
    const auto learned = learn_kit_key(take.take, take.hits);
    const auto keys = keys_of(take, learned.table);
    for (const Role role : {Role::rack_tom, Role::floor_tom}) {
        const auto m = *take.simulator.mic(role);
        REQUIRE(learned.table.knows(m));
        const auto& p = *std::find_if(learned.proposals.begin(), learned.proposals.end(),
                                      [&](auto& x) { return x.mic == m; });
        INFO(take.take.mics[m].name << ": threshold " << p.threshold_db << ", margin " << p.margin_db);
        CHECK(p.margin_db > 6.0);
        const auto v = judge(take, role, keys[m], tom_gate(p.threshold_db));
        CHECK((v.missed == 0 && v.wrong == 0)); // strokes down to 19 dB under the loudest
        CHECK(v.kept_db > -0.5);
        CHECK(v.bleed_db < -30.0);
        auto ahead = tom_gate(p.threshold_db);
        ahead.lookahead_ms = 10.0;
        CHECK(judge(take, role, keys[m], ahead).kept_db > -0.05);
        int best = 1000; // a plain gate, its threshold searched for
        for (double threshold_db = -50.0; threshold_db < -5.0; threshold_db += 3.0) {
            const auto plain = judge(take, role, take.mics[m], tom_gate(threshold_db));
            best = std::min(best, plain.missed + plain.wrong);
        }
        CHECK(best > 0);
    }
}

TEST_CASE("rolls, flams, and snare and tom together are not missed", "[analysis]") {
    const HardTake take(Style::hard_rolls, 1, false);
    const auto learned = learn_kit_key(take.take, take.hits);
    const auto keys = keys_of(take, learned.table);
    for (const Role role : {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in}) {
        const auto m = *take.simulator.mic(role);
        REQUIRE(learned.table.knows(m));
        const auto& p = *std::find_if(learned.proposals.begin(), learned.proposals.end(),
                                      [&](auto& x) { return x.mic == m; });
        const auto v = judge(take, role, keys[m], tom_gate(p.threshold_db));
        INFO(take.take.mics[m].name << ": threshold " << p.threshold_db << ", margin " << p.margin_db);
        CHECK((v.missed == 0 && v.wrong == 0));
        CHECK(v.kept_db > -0.5);
        CHECK(v.bleed_db < -30.0);
    }
}

TEST_CASE("without hits nothing is learned, and it says why", "[analysis]") {
    std::vector<float> silence(48'000, 0.0f);
    const std::vector<std::span<const float>> views(2, silence);
    const auto take = take_of(48'000.0, {{"Kick", Role::kick_in}, {"Snare", Role::snare_top}}, views);
    const auto learned = learn_kit_key(take, {});
    CHECK_FALSE(learned.table.knows(0));
    REQUIRE(learned.proposals.size() == 2);
    CHECK(learned.proposals[0].why_not == "fewer than two hits of its drum in the take");
}
