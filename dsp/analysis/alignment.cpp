#include "analysis/alignment.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr double kInStepMs = 0.1;
constexpr double kFarthestMs = 6.0;
constexpr double kEarliestMs = -0.3;
constexpr double kLongestDelayMs = 50.0;

bool close_pair(std::span<const TakeMic> mics, const Pair& p) noexcept {
    const auto a = own_drum(mics[p.a].role), b = own_drum(mics[p.b].role);
    return a && b && *a == *b;
}

/// A judged pair as recorded, seen from one of its mics.
struct Link {
    std::size_t to = 0;
    bool opposite = false;
    bool timed = false;    ///< their times belong together
    double shift_ms = 0.0; ///< if so: delay that the other mic needs, this one having none
    double confidence = 0.0;
};

std::vector<std::vector<Link>> links_of(std::span<const TakeMic> mics, std::span<const Pair> pairs) {
    std::vector<std::vector<Link>> links(mics.size());
    for (const auto& p : pairs) {
        if (!p.judged()) continue;
        const TakeMic &a = mics[p.a], &b = mics[p.b];
        const bool opposite = p.opposite != (a.inverted != b.inverted);
        const double recorded = p.delay_ms - (b.delay_ms - a.delay_ms);
        // Two mics of one drum stay in step. A way of sound that needs no fix binds nothing: delaying the
        // inner kick mic by a millisecond or two must not drag the whole kit along.
        const bool late = fix_for(mics, p).delay, timed = late || close_pair(mics, p);
        const double shift = late ? -recorded : b.delay_ms - a.delay_ms;
        links[p.a].push_back({p.b, opposite, timed, shift, p.confidence});
        links[p.b].push_back({p.a, opposite, timed, -shift, p.confidence});
    }
    for (auto& l : links)
        std::stable_sort(l.begin(), l.end(),
                         [](const Link& x, const Link& y) { return x.confidence > y.confidence; });
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
                if (follows(l) && !done[l.to] && (!best || l.confidence > best->confidence))
                    best = &l, from = m;
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
void settle_delays(const std::vector<std::vector<Link>>& links, std::vector<MicSetting>& out) {
    const auto set_now = out;
    std::vector<bool> done(out.size(), false);
    for (std::size_t m = 0; m < out.size(); ++m) {
        if (done[m]) continue;
        const auto group = settle(
            m, links, done, [](const Link& l) { return l.timed; },
            [&](std::size_t from, const Link& l) { out[l.to].delay_ms = out[from].delay_ms + l.shift_ms; });
        double earliest = out[m].delay_ms, now = set_now[m].delay_ms;
        for (const auto i : group)
            earliest = std::min(earliest, out[i].delay_ms), now = std::min(now, set_now[i].delay_ms);
        for (const auto i : group)
            out[i].delay_ms = std::clamp(out[i].delay_ms - earliest + now, 0.0, kLongestDelayMs);
    }
}

} // namespace

PairFix fix_for(std::span<const TakeMic> mics, const Pair& p) noexcept {
    PairFix fix;
    if (!p.judged()) return fix;
    fix.flip = p.opposite;
    if (close_pair(mics, p))
        fix.delay = std::abs(p.delay_ms) > kInStepMs;
    else if (own_drum(mics[p.a].role))
        fix.delay = p.delay_ms < kEarliestMs || p.delay_ms > kFarthestMs;
    else
        fix.delay = std::abs(p.delay_ms) > kFarthestMs;
    return fix;
}

std::vector<MicSetting> align(std::span<const TakeMic> mics, std::span<const Pair> pairs) {
    std::vector<MicSetting> out;
    for (const auto& m : mics) out.push_back({m.inverted, m.delay_ms});
    const auto links = links_of(mics, pairs);
    settle_polarity(links, out);
    settle_delays(links, out);
    return out;
}

} // namespace kitfold::dsp
