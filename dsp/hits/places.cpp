#include "hits/places.h"
#include "core/median.h"
#include "core/two_threads.h"
#include "core/vector_clones.h"
#include "hits/hit_math.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numeric>

namespace kitfold::dsp {

namespace {

constexpr float kMostSpreads = 3.0f; // what a broken mic can say against two prints being alike
constexpr float kSpectrum = 0.25f;   // spectra of one drum differ by 6 dB over velocity, patterns by 1.5
constexpr float kInCommon = 0.2f;    // of all cells: by fewer two prints agree by chance
constexpr std::size_t kFewest = 2;   // that agree: one alone is no place
constexpr std::size_t kMostDecide = 1'200; // all are compared with all: twice as many take four times as long

using Bands = std::array<float, kScanBands>;

struct Compared {
    float cost = 0.0f;
    float cells = 0.0f; ///< that say something beyond the bands' levels
};

/// Patterns over mics, in two passes: the bands' levels, then what is left.
KITFOLD_VECTOR_CLONES Compared compare_patterns(const Print& a, const Print& b, Bands& level, Bands& sum) {
    Bands weighted{}, count{}, cost{};
    sum.fill(0.0f);
    const auto weight = [&](std::size_t c) {
        return 1.0f / std::max(a.variance[c] + b.variance[c], kSpreadDb * kSpreadDb);
    };
    for (std::size_t c = 0; c < a.db.size(); c += kScanBands)
        for (std::size_t k = 0; k < kScanBands; ++k) {
            const float w = weight(c + k);
            sum[k] += w;
            count[k] += w > 0.0f ? 1.0f : 0.0f;
            weighted[k] += w * (a.db[c + k] - b.db[c + k]);
        }
    for (std::size_t k = 0; k < kScanBands; ++k) level[k] = weighted[k] / std::max(sum[k], 1e-9f);
    for (std::size_t c = 0; c < a.db.size(); c += kScanBands)
        for (std::size_t k = 0; k < kScanBands; ++k) {
            const float w = weight(c + k), r = a.db[c + k] - b.db[c + k] - level[k];
            // what is only a bound speaks where it lies below what the other shows
            const float broken = shown(a, c + k)   ? std::max(r, 0.0f)
                                 : shown(b, c + k) ? std::min(r, 0.0f)
                                                   : 0.0f;
            const float x = w > 0.0f ? r * r * w : broken * broken * (0.5f / (kSpreadDb * kSpreadDb));
            cost[k] += std::min(x, kMostSpreads * kMostSpreads);
        }
    Compared out;
    for (std::size_t k = 0; k < kScanBands; ++k)
        if (count[k] > 1.0f) out.cost += cost[k], out.cells += count[k] - 1.0f;
    return out;
}

/// Difference of spectra, free in level, over the bands that both show.
float spectra_apart_db(const Bands& level, const Bands& sum) {
    float mean = 0.0f, count = 0.0f, out = 0.0f;
    for (std::size_t k = 0; k < kScanBands; ++k)
        if (sum[k] > 0.0f) mean += level[k], count += 1.0f;
    if (count < 2.0f) return 0.0f;
    mean /= count;
    for (std::size_t k = 0; k < kScanBands; ++k)
        if (sum[k] > 0.0f) out += (level[k] - mean) * (level[k] - mean);
    return std::sqrt(out / (count - 1.0f));
}

float clear_cells(const Print& p) {
    return static_cast<float>(
        std::count_if(p.variance.begin(), p.variance.end(), [](float v) { return v < kFar; }));
}

/// Middle of prints: levels relative to each member's own middle, so that loud and soft ones count alike.
Print middle(std::span<const Print> prints, std::span<const std::size_t> members) {
    constexpr float kShown = 0.5f; // of the members
    const auto cells = prints[0].db.size();
    std::vector<float> offset;
    for (const auto m : members) {
        std::vector<float> levels;
        for (std::size_t c = 0; c < cells; ++c)
            if (shown(prints[m], c)) levels.push_back(prints[m].db[c]);
        offset.push_back(quantile(levels, 0.5));
    }
    std::vector<float> all = offset;
    const float usual = quantile(all, 0.5);
    Print out{std::vector<float>(cells), std::vector<float>(cells)};
    for (std::size_t c = 0; c < cells; ++c) {
        std::vector<float> levels, bounds;
        for (std::size_t i = 0; i < members.size(); ++i) {
            const auto& p = prints[members[i]];
            (shown(p, c) ? levels : bounds).push_back(p.db[c] - offset[i] + usual);
        }
        const bool clear = static_cast<float>(levels.size()) >= kShown * static_cast<float>(members.size());
        out.db[c] = clear ? quantile(levels, 0.5) : quantile(bounds, 0.25);
        out.variance[c] = clear ? 0.0f : kFar;
    }
    return out;
}

/// The clearest prints, in order of time.
std::vector<std::size_t> deciding(std::span<const Print> prints) {
    std::vector<std::size_t> out(prints.size());
    std::iota(out.begin(), out.end(), 0);
    if (out.size() <= kMostDecide) return out;
    std::vector<float> clear;
    for (const auto& p : prints) clear.push_back(clear_cells(p));
    std::stable_sort(out.begin(), out.end(), [&](auto a, auto b) { return clear[a] > clear[b]; });
    out.resize(kMostDecide);
    std::sort(out.begin(), out.end());
    return out;
}

/// Who is near whom, as rows of places among `who`.
std::vector<std::vector<std::uint16_t>> neighbours(std::span<const Print> prints,
                                                   std::span<const std::size_t> who) {
    const auto n = who.size();
    std::vector<std::vector<std::uint16_t>> near(n), after(n);
    on_two_threads(n, [&](std::size_t i) {
        for (auto j = i + 1; j < n; ++j)
            if (apart_db(prints[who[i]], prints[who[j]]) < kSpreadDb)
                after[i].push_back(static_cast<std::uint16_t>(j));
    });
    for (std::size_t i = 0; i < n; ++i)
        for (const auto j : after[i]) near[i].push_back(j), near[j].push_back(static_cast<std::uint16_t>(i));
    return near;
}

} // namespace

float apart_db(const Print& a, const Print& b) {
    Bands level, sum;
    const auto [cost, cells] = compare_patterns(a, b, level, sum);
    if (cells < kInCommon * static_cast<float>(a.db.size())) return kFar;
    return std::hypot(kSpreadDb * std::sqrt(cost / cells),
                      kSpectrum * spectra_apart_db(level, sum) / std::sqrt(2.0f));
}

std::vector<Place> find_places(std::span<const Print> prints) {
    std::vector<Place> places;
    const auto who = deciding(prints);
    const auto near = neighbours(prints, who);
    std::vector<bool> taken(prints.size());
    while (true) {
        std::size_t best = 0, most = 0;
        for (std::size_t i = 0; i < who.size(); ++i) {
            if (taken[who[i]]) continue;
            const auto free = static_cast<std::size_t>(
                1 + std::count_if(near[i].begin(), near[i].end(), [&](auto j) { return !taken[who[j]]; }));
            if (free > most) most = free, best = i;
        }
        if (most < kFewest) return places;
        Place place;
        place.members.push_back(who[best]);
        for (const auto j : near[best])
            if (!taken[who[j]]) place.members.push_back(who[j]);
        for (int round = 0; round < 2; ++round) {
            place.print = middle(prints, place.members);
            std::vector<std::size_t> again;
            for (std::size_t i = 0; i < prints.size(); ++i)
                if (!taken[i] && apart_db(prints[i], place.print) < kSpreadDb) again.push_back(i);
            if (again.size() < kFewest) break;
            place.members = std::move(again);
        }
        place.print = middle(prints, place.members);
        for (const auto m : place.members) taken[m] = true;
        places.push_back(std::move(place));
    }
}

} // namespace kitfold::dsp
