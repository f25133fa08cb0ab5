#include "simulated_take.h"
#include <algorithm>
#include <cmath>

namespace kitfold::test {

using namespace dsp;

namespace {

/// `places`: of the take's mics among those of the simulator, the first of them.
double first_arrival_ms(const Simulator& simulator, std::span<const TakeMic> mics,
                        std::span<const std::size_t> places, Drum drum) {
    if (const auto own = own_mic(mics, drum)) return simulator.truth().path(drum, places[*own]).delay_ms;
    double first = 1e9;
    for (const auto m : places) first = std::min(first, simulator.truth().path(drum, m).delay_ms);
    return first;
}

/// Mics of the same performance in a room with hard walls, overheads apart: as rooms, and as mics of no role.
void add_six(const SimulatorOptions& options, Simulator::Planar& samples, std::vector<TakeMic>& mics) {
    auto o = options;
    o.traps.hot_room = o.traps.spaced_overheads = true;
    const Simulator other(o);
    const auto more = other.render();
    for (const auto& [from, as] :
         {std::pair(Role::overhead_left, Role::room_left), std::pair(Role::overhead_right, Role::room_right),
          std::pair(Role::kick_out, Role::other), std::pair(Role::snare_bottom, Role::other),
          std::pair(Role::floor_tom, Role::other), std::pair(Role::hihat, Role::other)}) {
        samples.push_back(more[*other.mic(from)]);
        mics.push_back({"More " + std::to_string(mics.size()), as});
    }
}

} // namespace

SimulatedTake::SimulatedTake(const SimulatorOptions& options, MicList list)
    : simulator(options), samples(simulator.render()) {
    auto mics = simulator.take_mics();
    std::vector<std::size_t> places;
    for (std::size_t m = 0; m < mics.size(); ++m)
        if (list != MicList::four || is_overhead(mics[m].role) || mics[m].role == Role::kick_out ||
            mics[m].role == Role::snare_top)
            places.push_back(m);
    if (list == MicList::four) {
        for (std::size_t i = 0; i < places.size(); ++i)
            mics[i] = mics[places[i]], samples[i] = std::move(samples[places[i]]);
        mics.resize(places.size()), samples.resize(places.size());
    }
    if (list == MicList::sixteen) add_six(options, samples, mics);
    take = take_of(options.rate_hz, std::move(mics), {samples.begin(), samples.end()});
    for (const auto& s : simulator.truth().strokes)
        true_hits.push_back({s.time_s + first_arrival_ms(simulator, take.mics, places, s.drum) / 1000.0,
                             s.drum, s.strength_db, false});
    found_hits = find_hits(take);
}

HitScore score_close_mics(const SimulatedTake& take) {
    HitScore all;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        if (!own_mic(take.take.mics, static_cast<Drum>(d))) continue;
        const auto s = score_hits(take, static_cast<Drum>(d));
        all.strokes += s.strokes, all.missed += s.missed, all.found += s.found, all.wrong += s.wrong;
    }
    return all;
}

HitScore score_hits(const SimulatedTake& take, Drum drum, const std::function<bool(const Hit&)>& counts) {
    constexpr double kWithin_s = 0.002, kSoftestDb = 30.0;
    std::vector<double> found, strengths;
    for (const auto& h : take.found_hits)
        if (h.drum == drum) found.push_back(h.time_s);
    for (const auto& h : take.true_hits)
        if (h.drum == drum) strengths.push_back(h.strength_db);
    HitScore score;
    score.found = found.size();
    if (strengths.empty()) return score.wrong = score.found, score;
    std::nth_element(strengths.begin(), strengths.begin() + std::ssize(strengths) / 2, strengths.end());
    const double softest = strengths[strengths.size() / 2] - kSoftestDb;
    std::vector<bool> used(found.size(), false);
    for (const auto& h : take.true_hits) {
        if (h.drum != drum) continue;
        std::optional<std::size_t> best;
        for (std::size_t i = 0; i < found.size(); ++i) {
            const double off = std::abs(found[i] - h.time_s);
            if (!used[i] && off <= kWithin_s && (!best || off < std::abs(found[*best] - h.time_s))) best = i;
        }
        if (best) used[*best] = true;
        if (h.strength_db <= softest || !counts(h)) continue;
        ++score.strokes;
        if (!best) ++score.missed;
    }
    score.wrong = static_cast<std::size_t>(std::count(used.begin(), used.end(), false));
    return score;
}

std::vector<PairError> pair_errors(const SimulatedTake& take, const std::vector<Pair>& pairs) {
    std::vector<PairError> out;
    for (const auto& p : pairs) {
        const auto& mics = take.take.mics;
        PairError e{mics[p.a].name + " / " + mics[p.b].name, 0.0, false, p.confidence, p.judged()};
        if (p.drum) {
            const auto &a = take.simulator.truth().path(*p.drum, p.a),
                       &b = take.simulator.truth().path(*p.drum, p.b);
            e.delay_ms = p.delay_ms - (b.delay_ms - a.delay_ms);
            e.wrong_way_up = p.first_movement == (a.opposite != b.opposite ? 1 : -1);
        }
        out.push_back(std::move(e));
    }
    return out;
}

std::vector<Error> bleed_errors(const SimulatedTake& take, const std::vector<Bleed>& table) {
    std::vector<Error> out;
    for (const auto& t : take.simulator.measure_bleed())
        for (const auto& b : table)
            // cymbals without a mic are several in one name
            if (b.drum == t.drum && b.mic == t.mic && t.level_db != 0.0 &&
                (!is_plate(b.drum) || own_mic(take.take.mics, b.drum)))
                out.push_back({std::string(drum_name(b.drum)) + " in " + take.take.mics[b.mic].name,
                               t.level_db, b.level_db - t.level_db, b.upper_bound});
    return out;
}

double median_size(std::vector<double> errors) {
    if (errors.empty()) return 0.0;
    for (auto& e : errors) e = std::abs(e);
    std::nth_element(errors.begin(), errors.begin() + std::ssize(errors) / 2, errors.end());
    return errors[errors.size() / 2];
}

double largest_size(const std::vector<double>& errors) {
    double largest = 0.0;
    for (const auto e : errors) largest = std::max(largest, std::abs(e));
    return largest;
}

} // namespace kitfold::test
