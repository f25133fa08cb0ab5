#include "analysis/hard_take.h"
#include "dynamics/gate.h"
#include "hits/hits.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <utility>

namespace kitfold::test {

using namespace kitfold::dsp;

namespace {

constexpr double kRateHz = 48'000.0;
constexpr double kClosedDb = -20.0; // what a gate has to take off bleed between hits

float peak(const std::vector<float>& x) {
    float most = 0.0f;
    for (const float s : x) most = std::max(most, std::fabs(s));
    return most;
}

SimulatorOptions options(Style style, std::uint64_t seed) {
    SimulatorOptions o;
    o.style = style, o.seed = seed, o.seconds = 60.0;
    return o;
}

} // namespace

double db(double out, double in) { return in > 0.0 ? 10.0 * std::log10(std::max(out / in, 1e-12)) : 0.0; }

HardTake::HardTake(Style style, std::uint64_t seed, bool louder_bleed) : simulator(options(style, seed)) {
    mics = simulator.render();
    for (const Role role : {Role::rack_tom, Role::floor_tom, Role::snare_top, Role::kick_in}) {
        const auto m = *simulator.mic(role);
        own[role] = simulator.render_drum(*own_drum(role))[m];
    }
    if (louder_bleed)
        for (const Drum drum : {Drum::snare, Drum::cymbals}) raise(drum);
    take = take_of(kRateHz, simulator.take_mics(), {mics.begin(), mics.end()});
    for (const auto& s : simulator.truth().strokes) {
        const auto m = own_mic(take.mics, s.drum);
        const double late_s = m ? simulator.truth().path(s.drum, *m).delay_ms / 1000.0 : 0.0;
        hits.push_back({s.time_s + late_s, s.drum, s.strength_db, true});
    }
    std::sort(hits.begin(), hits.end(), [](auto& a, auto& b) { return a.time_s < b.time_s; });
}

std::vector<Hit> HardTake::found_hits() const { return find_hits(take); }

void HardTake::raise(Drum drum) {
    const auto stem = simulator.render_drum(drum);
    for (const Role role : {Role::rack_tom, Role::floor_tom}) {
        const auto m = *simulator.mic(role);
        const float gain = 1.26f * peak(own[role]) / peak(stem[m]) - 1.0f;
        for (std::size_t n = 0; n < stem[m].size(); ++n) mics[m][n] += gain * stem[m][n];
    }
}

GateVerdict judge(const HardTake& take, Role role, const std::vector<float>& key,
                  const GateSettings& settings) {
    const auto m = *take.simulator.mic(role);
    const auto& own = take.own.at(role);
    std::vector<float> ones(own.size(), 1.0f), gain(own.size());
    Gate<float, double> gate;
    REQUIRE((gate.prepare(kRateHz) && gate.set(settings) == nullptr));
    gate.process(ones.data(), key.data(), gain.data(), gain.size());
    const std::size_t late = gate.latency(); // the gain of sample n comes out `late` samples on
    std::vector<std::size_t> times;
    for (const auto& h : take.hits)
        if (h.drum == own_drum(role)) times.push_back(static_cast<std::size_t>(h.time_s * kRateHz));
    GateVerdict v;
    v.hits = static_cast<int>(times.size());
    double own_in = 0.0, own_out = 0.0, bleed_in = 0.0, bleed_out = 0.0, hit_in = 0.0, hit_out = 0.0;
    bool open = false;
    std::size_t next = 0;
    for (const auto t : times) {
        const auto from = gain.begin() + static_cast<std::ptrdiff_t>(t + late);
        if (*std::max_element(from, from + 720) < 0.7f)
            ++v.missed, v.missed_s.push_back(static_cast<double>(t) / kRateHz);
    }
    for (std::size_t n = 0; n + late < own.size(); ++n) {
        while (next < times.size() && times[next] <= n) {
            v.soft_db = std::min(v.soft_db, db(hit_out, hit_in));
            ++next, hit_in = 0.0, hit_out = 0.0;
        }
        const double since_s = next > 0 ? static_cast<double>(n - times[next - 1]) / kRateHz : 1e9;
        const double until_s = next < times.size() ? static_cast<double>(times[next] - n) / kRateHz : 1e9;
        const bool was_open = std::exchange(open, gain[n + late] > 0.5f);
        if (open && !was_open && since_s > 0.05 && until_s > 0.012)
            ++v.wrong, v.wrong_s.push_back(static_cast<double>(n) / kRateHz);
        const double g = gain[n + late], x = own[n], y = take.mics[m][n] - own[n];
        own_in += x * x, own_out += g * g * x * x;
        if (since_s < 0.1) hit_in += x * x, hit_out += g * g * x * x;
        if (since_s > 1.0 && until_s > 0.02) bleed_in += y * y, bleed_out += g * g * y * y;
    }
    v.soft_db = std::min(v.soft_db, db(hit_out, hit_in));
    v.kept_db = db(own_out, own_in);
    v.bleed_db = db(bleed_out, bleed_in);
    return v;
}

std::vector<std::vector<float>> keys_of(const HardTake& take, const KitKeyTable& table) {
    KitKey key;
    REQUIRE(key.prepare(kRateHz, take.mics.size()));
    key.set(table);
    auto keys = take.mics;
    std::vector<const float*> in;
    std::vector<float*> out;
    for (std::size_t m = 0; m < keys.size(); ++m)
        in.push_back(take.mics[m].data()), out.push_back(keys[m].data());
    key.process(in.data(), in.data(), out.data(), keys[0].size());
    return keys;
}

PlainGate best_plain_gate(const HardTake& take, Role role, const GateSettings& like, double step_db) {
    const auto& mic = take.mics[*take.simulator.mic(role)];
    PlainGate best;
    best.verdict.missed = 1'000'000;
    for (const double low_pass_hz : {kFilterOff, 200.0})
        for (double threshold_db = -60.0; threshold_db < -3.0; threshold_db += step_db) {
            auto settings = like;
            settings.threshold_db = threshold_db, settings.key_low_pass_hz = low_pass_hz;
            const auto v = judge(take, role, mic, settings);
            if (!(v.bleed_db <= kClosedDb)) continue;
            const int errors = v.missed + v.wrong, least = best.verdict.missed + best.verdict.wrong;
            if (errors < least || (errors == least && v.bleed_db < best.verdict.bleed_db))
                best = {settings, v};
        }
    return best;
}

const KitKeyProposal& proposal_of(const HardTake& take, const LearnedKitKey& learned, Role role) {
    const auto m = *take.simulator.mic(role);
    return *std::find_if(learned.proposals.begin(), learned.proposals.end(),
                         [&](auto& p) { return p.mic == m; });
}

GateSettings tom_gate(double threshold_db) {
    return {.threshold_db = threshold_db, .attack_ms = 0.1, .hold_ms = 150.0, .release_ms = 300.0};
}

} // namespace kitfold::test
