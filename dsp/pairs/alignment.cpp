#include "pairs/alignment.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr double kInStepMs = 0.1;
constexpr double kFarthestMs = 6.0;
constexpr double kEarliestMs = -0.3;
constexpr double kSpareMs = 0.05; // so that rounding leaves nothing on the wrong side
constexpr double kLongestDelayMs = 50.0;

bool close_pair(std::span<const TakeMic> mics, const Pair& p) noexcept {
    const auto a = own_drum(mics[p.a].role), b = own_drum(mics[p.b].role);
    return a && b && *a == *b;
}

/// @param spare_ms counts as out of step when only this much nearer the bound
bool out_of_step(std::span<const TakeMic> mics, const Pair& p, double spare_ms) noexcept {
    if (close_pair(mics, p)) return std::abs(p.delay_ms) > kInStepMs - spare_ms;
    if (own_drum(mics[p.a].role))
        return p.delay_ms < kEarliestMs + spare_ms || p.delay_ms > kFarthestMs - spare_ms;
    return std::abs(p.delay_ms) > kFarthestMs - spare_ms;
}

enum class Rank { way, asked, stereo, close }; // which links are walked first

/// A judged pair as recorded, seen from one of its mics.
struct Link {
    std::size_t to = 0;
    bool opposite = false;
    bool timed = false;    ///< their times belong together
    bool in_step = false;  ///< and are to be the same
    double shift_ms = 0.0; ///< if so: delay that the other mic needs, this one having none
    Rank rank = Rank::way;
    double confidence = 0.0;
    [[nodiscard]] bool before(const Link& o) const noexcept {
        return rank != o.rank ? rank > o.rank : confidence > o.confidence;
    }
};

/// What the walk makes of each pair beyond its own figures.
struct Hint {
    bool binds = false; ///< its mics stay as far apart as they are set now
    bool asked = false; ///< is put in step, before others
};

std::vector<std::vector<Link>> links_of(std::span<const TakeMic> mics, std::span<const Pair> pairs,
                                        std::span<const Hint> hints) {
    std::vector<std::vector<Link>> links(mics.size());
    for (std::size_t i = 0; i < pairs.size(); ++i) {
        const auto& p = pairs[i];
        if (!p.judged()) continue;
        const TakeMic &a = mics[p.a], &b = mics[p.b];
        const bool opposite = p.opposite != (a.inverted != b.inverted), close = close_pair(mics, p);
        const double recorded = p.delay_ms - (b.delay_ms - a.delay_ms);
        const bool stereo = !own_drum(a.role);
        // Two mics of one drum stay in step, a stereo pair as it is. A way of sound that needs no fix binds
        // nothing: delaying the inner kick mic by a millisecond or two must not drag the whole kit along.
        const bool late = fix_for(mics, p).delay, timed = late || close || stereo || hints[i].binds;
        const bool in_step = late || hints[i].asked;
        const double shift = in_step ? -recorded : b.delay_ms - a.delay_ms;
        const auto rank = close            ? Rank::close
                          : stereo         ? Rank::stereo
                          : hints[i].asked ? Rank::asked
                                           : Rank::way;
        links[p.a].push_back({p.b, opposite, timed, in_step, shift, rank, p.confidence});
        links[p.b].push_back({p.a, opposite, timed, in_step, -shift, rank, p.confidence});
    }
    return links;
}

/// Walks one group of linked mics, the surest links first; `take` carries what holds between two of them
/// over. Returns the members.
template <class Follows, class Take>
std::vector<std::size_t> settle(std::size_t first, const std::vector<std::vector<Link>>& links,
                                std::vector<bool>& done, const Follows& follows, const Take& take) {
    std::vector<std::size_t> group{first};
    done[first] = true;
    for (;;) {
        const Link* best = nullptr;
        std::size_t from = 0;
        for (const auto m : group)
            for (const auto& l : links[m])
                if (follows(l) && !done[l.to] && (!best || l.before(*best))) best = &l, from = m;
        if (!best) return group;
        take(from, *best);
        done[best->to] = true;
        group.push_back(best->to);
    }
}

void settle_polarity(const std::vector<std::vector<Link>>& links, std::vector<MicSetting>& out) {
    std::vector<bool> done(out.size(), false);
    for (std::size_t m = 0; m < out.size(); ++m) {
        if (done[m] || links[m].empty()) continue;
        const auto group = settle(
            m, links, done, [](const Link&) { return true; },
            [&](std::size_t from, const Link& l) { out[l.to].inverted = out[from].inverted != l.opposite; });
        std::size_t flipped = 0;
        for (const auto i : group) flipped += out[i].inverted ? 1 : 0;
        if (2 * flipped > group.size())
            for (const auto i : group) out[i].inverted = !out[i].inverted;
    }
}

/// Each group of mics whose times belong together is delayed as little as can be.
void settle_delays(std::span<const TakeMic> mics, const std::vector<std::vector<Link>>& links,
                   std::vector<MicSetting>& out) {
    const auto set_now = out;
    std::vector<bool> done(out.size(), false);
    // Of several overheads that a close mic is to be in step with, the first to hear the drum counts.
    const auto take = [&](std::size_t from, const Link& link) {
        double& delay = out[link.to].delay_ms = out[from].delay_ms + link.shift_ms;
        if (link.rank == Rank::close || link.rank == Rank::stereo || !link.in_step) return;
        const bool close = own_drum(mics[link.to].role).has_value();
        for (const auto& back : links[link.to])
            if (done[back.to] && back.in_step) {
                const double by = out[back.to].delay_ms - back.shift_ms;
                delay = close ? std::min(delay, by) : std::max(delay, by);
            }
    };
    for (std::size_t m = 0; m < out.size(); ++m) {
        if (done[m]) continue;
        const auto group = settle(
            m, links, done, [](const Link& l) { return l.timed; }, take);
        double earliest = out[m].delay_ms, now = set_now[m].delay_ms;
        for (const auto i : group)
            earliest = std::min(earliest, out[i].delay_ms), now = std::min(now, set_now[i].delay_ms);
        for (const auto i : group)
            out[i].delay_ms = std::clamp(out[i].delay_ms - earliest + now, 0.0, kLongestDelayMs);
    }
}

/// The stereo pair that mic `m` belongs to is put in step too: no close mic can be in time with both of two
/// overheads that are 6 ms apart.
bool ask_stereo(std::span<const TakeMic> mics, std::span<const Pair> pairs, std::size_t m,
                std::span<Hint> hints) {
    for (std::size_t i = 0; i < pairs.size(); ++i)
        if (!own_drum(mics[pairs[i].a].role) && (pairs[i].a == m || pairs[i].b == m) && pairs[i].judged() &&
            !hints[i].asked)
            return hints[i].asked = true;
    return false;
}

/// A pair that was in order and is not with these settings binds its mics; one that isn't in order all the
/// same is put in step before others. Returns whether there is anything new to try.
bool learn_from(std::span<const TakeMic> mics, std::span<const Pair> pairs,
                std::span<const MicSetting> settings, std::span<Hint> hints) {
    bool learned = false;
    for (std::size_t i = 0; i < pairs.size(); ++i) {
        auto p = pairs[i];
        const bool late = fix_for(mics, p).delay;
        const double moves =
            (settings[p.b].delay_ms - mics[p.b].delay_ms) - (settings[p.a].delay_ms - mics[p.a].delay_ms);
        p.delay_ms += moves;
        // What nobody touches has no need of anything to spare.
        if (!p.judged() || !out_of_step(mics, p, std::abs(moves) > kSpareMs ? kSpareMs : 0.0)) continue;
        bool& hint = !late && !hints[i].binds ? hints[i].binds : hints[i].asked;
        learned = learned || !hint || ask_stereo(mics, pairs, p.b, hints);
        hint = true;
    }
    return learned;
}

} // namespace

PairFix fix_for(std::span<const TakeMic> mics, const Pair& p) noexcept {
    if (!p.judged()) return {};
    return {p.opposite, out_of_step(mics, p, 0.0)};
}

std::vector<MicSetting> align(std::span<const TakeMic> mics, std::span<const Pair> pairs) {
    std::vector<Hint> hints(pairs.size());
    for (std::size_t round = 0;; ++round) {
        const auto links = links_of(mics, pairs, hints);
        std::vector<MicSetting> out;
        for (const auto& m : mics) out.push_back({m.inverted, m.delay_ms});
        settle_polarity(links, out);
        settle_delays(mics, links, out);
        if (!learn_from(mics, pairs, out, hints) || round > 2 * pairs.size()) return out;
    }
}

} // namespace kitfold::dsp
