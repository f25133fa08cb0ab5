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
    double shift_ms = 0.0; ///< delay that the other mic needs, this one having none
    double confidence = 0.0;
};

std::vector<std::vector<Link>> links_of(std::span<const TakeMic> mics, std::span<const Pair> pairs) {
    std::vector<std::vector<Link>> links(mics.size());
    for (const auto& p : pairs) {
        if (!p.judged()) continue;
        const TakeMic &a = mics[p.a], &b = mics[p.b];
        const bool opposite = p.opposite != (a.inverted != b.inverted);
        const double recorded = p.delay_ms - (b.delay_ms - a.delay_ms);
        // A time that needs no fix stays as it is set now.
        const double shift = fix_for(mics, p).delay ? -recorded : b.delay_ms - a.delay_ms;
        links[p.a].push_back({p.b, opposite, shift, p.confidence});
        links[p.b].push_back({p.a, opposite, -shift, p.confidence});
    }
    for (auto& l : links)
        std::stable_sort(l.begin(), l.end(),
                         [](const Link& x, const Link& y) { return x.confidence > y.confidence; });
    return links;
}

/// Walks one group of linked mics, the surest links first, and returns its members.
std::vector<std::size_t> settle(std::size_t first, const std::vector<std::vector<Link>>& links,
                                std::vector<MicSetting>& out, std::vector<bool>& done) {
    std::vector<std::size_t> group{first};
    done[first] = true;
    for (;;) {
        const Link* best = nullptr;
        std::size_t from = 0;
        for (const auto m : group)
            for (const auto& l : links[m])
                if (!done[l.to] && (!best || l.confidence > best->confidence)) best = &l, from = m;
        if (!best) return group;
        out[best->to].inverted = out[from].inverted != best->opposite;
        out[best->to].delay_ms = out[from].delay_ms + best->shift_ms;
        done[best->to] = true;
        group.push_back(best->to);
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
    std::vector<bool> done(mics.size(), false);
    for (std::size_t m = 0; m < mics.size(); ++m) {
        if (done[m] || links[m].empty()) continue;
        const auto group = settle(m, links, out, done);
        std::size_t flipped = 0;
        for (const auto i : group) flipped += out[i].inverted ? 1 : 0;
        if (2 * flipped > group.size())
            for (const auto i : group) out[i].inverted = !out[i].inverted;
    }
    double earliest = 0.0;
    for (const auto& s : out) earliest = std::min(earliest, s.delay_ms);
    for (auto& s : out) s.delay_ms = std::min(s.delay_ms - earliest, kLongestDelayMs);
    return out;
}

} // namespace kitfold::dsp
