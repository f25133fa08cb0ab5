#include "ring/ring_table.h"
#include "core/two_threads.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {
namespace {

constexpr double kBefore_s = 0.03;    // the noise before a stroke
constexpr double kLongest_s = 1.5;    // a ring of 3 s falls by 30 dB
constexpr double kShortest_s = 0.08;  // in less a ring of 500 ms falls by no 10 dB
constexpr double kGuard_s = 0.004;    // the next hit may be found late
constexpr double kDisturbsDb = -30.0; // re the hit that is looked at, in the same mic
constexpr double kMetalDb = -15.0;    // cymbals have that much less below 2 kHz, where a drum rings
// A head falls back the faster the harder it was struck (of one real kick, T60 by the first 10 dB: 320 ms,
// and 410 ms 10 dB softer), so a drum is measured by its hard strokes: half the peak of the loudest or more.
constexpr double kHardDb = -6.0;
constexpr std::size_t kLeastHits = 4; // three have to agree (ring.cpp), and one may be disturbed
constexpr std::size_t kMostHits = 10; // eight to twelve are enough (ring.h)
constexpr double kSamePitch = 0.05;   // within the band in which a decay is followed, 6 % to either side
// Of another drum's partial, re this one, in its mic: 20 dB under a fall that is judged.
constexpr double kSharedDb = -40.0;
constexpr double kNearby_s = 0.5; // longer than kicks and snares ring, see kSpectrumSeconds (ring.cpp)

struct Stretch {
    double time_s = 0.0, length_s = 0.0, strength_db = 0.0;
};

/// Level of a hit in a mic, in dB re how strong it is in its own.
double bleed_db(std::span<const Bleed> bleed, Drum drum, std::size_t mic) {
    const auto at = std::find_if(bleed.begin(), bleed.end(),
                                 [&](const Bleed& b) { return b.drum == drum && b.mic == mic; });
    return (at == bleed.end() ? -12.0 : at->level_db) + (is_plate(drum) ? kMetalDb : 0.0);
}

/// For each hit of the drum, how long it may ring until something louder than kDisturbsDb starts.
std::vector<Stretch> stretches(const Take& take, std::span<const Hit> hits, std::span<const Bleed> bleed,
                               Drum drum, std::size_t mic) {
    std::vector<Stretch> found;
    for (std::size_t i = 0; i < hits.size(); ++i) {
        if (hits[i].drum != drum) continue;
        const double here = hits[i].strength_db;
        double end = std::min(hits[i].time_s + kLongest_s, take.seconds());
        for (auto next = i + 1; next < hits.size() && hits[next].time_s < end; ++next)
            if (hits[next].strength_db + bleed_db(bleed, hits[next].drum, mic) > here + kDisturbsDb)
                end = hits[next].time_s - kGuard_s;
        if (end - hits[i].time_s >= kShortest_s)
            found.push_back({hits[i].time_s, end - hits[i].time_s, here});
    }
    return found;
}

/// Of the hard strokes, those that ring longest undisturbed.
std::vector<Stretch> chosen(const Take& take, std::span<const Hit> hits, std::span<const Bleed> bleed,
                            Drum drum, std::size_t mic) {
    auto all = stretches(take, hits, bleed, drum, mic);
    std::sort(all.begin(), all.end(),
              [](const auto& a, const auto& b) { return a.strength_db > b.strength_db; });
    while (all.size() > kLeastHits && all.back().strength_db < all.front().strength_db + kHardDb)
        all.pop_back();
    std::stable_sort(all.begin(), all.end(),
                     [](const auto& a, const auto& b) { return a.length_s > b.length_s; });
    if (all.size() > kMostHits) all.resize(kMostHits);
    return all;
}

/// A quarter of the drum's strokes or more have one of the other close by.
bool hit_near(std::span<const Hit> hits, Drum drum, Drum other) {
    std::size_t strokes = 0, near = 0;
    for (const auto& h : hits) {
        if (h.drum != drum) continue;
        ++strokes;
        near += std::any_of(hits.begin(), hits.end(), [&](const Hit& o) {
            return o.drum == other && std::abs(o.time_s - h.time_s) < kNearby_s;
        });
    }
    return 4 * near >= strokes;
}

/// Where a drum that is hit close by rings longer at the same pitch, whose decay is seen cannot be told.
void doubt_shared(DrumRing& ring, const DrumRing& other, std::span<const Hit> hits,
                  std::span<const Bleed> bleed) {
    if (!hit_near(hits, ring.drum, other.drum)) return;
    const double level_db = bleed_db(bleed, other.drum, ring.mic);
    for (auto& p : ring.result.partials)
        for (const auto& q : other.result.partials)
            if (std::abs(q.hz - p.hz) < kSamePitch * p.hz && q.ring_ms > p.ring_ms &&
                level_db + q.level_db > p.level_db + kSharedDb)
                p.judged = false;
}

/// Strokes of a drum as a mic has them.
class Excerpts {
public:
    Excerpts(const Take& take, std::vector<Stretch> stretches, std::size_t mic) {
        const auto before = std::llround(kBefore_s * take.rate_hz);
        for (const auto& stretch : stretches) {
            auto& x =
                samples_.emplace_back(std::size_t(before + std::llround(stretch.length_s * take.rate_hz)));
            take.read(mic, std::llround(stretch.time_s * take.rate_hz) - before, x);
        }
        for (const auto& x : samples_) views_.push_back({x, std::size_t(before)});
    }
    [[nodiscard]] std::span<const RingHit> hits() const { return views_; }

private:
    std::vector<std::vector<float>> samples_;
    std::vector<RingHit> views_;
};

} // namespace

RingResult ring_of(const Take& take, std::span<const Hit> hits, std::span<const Bleed> bleed, Drum drum,
                   std::size_t mic) {
    const Excerpts strokes(take, chosen(take, hits, bleed, drum, mic), mic);
    return analyse_ring(strokes.hits(), take.rate_hz);
}

std::vector<RingPartial> partials_at(const Take& take, std::span<const Hit> hits,
                                     std::span<const Bleed> bleed, Drum drum, std::size_t mic,
                                     std::span<const double> hz) {
    const Excerpts strokes(take, chosen(take, hits, bleed, drum, mic), mic);
    std::vector<RingPartial> out;
    for (const double at : hz) out.push_back(partial_at(strokes.hits(), take.rate_hz, at));
    return out;
}

std::vector<DrumRing> ring_table(const Take& take, std::span<const Hit> hits, std::span<const Bleed> bleed) {
    std::vector<DrumRing> table;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        const auto drum = Drum(d);
        const auto mic = own_mic(take.mics, drum);
        const bool played =
            std::any_of(hits.begin(), hits.end(), [=](const Hit& h) { return h.drum == drum; });
        if (mic && played && !is_plate(drum)) table.push_back({drum, *mic, {}});
    }
    // Each drum has a mic of its own, so two threads never read the same one.
    on_two_threads(table.size(), [&](std::size_t i) {
        table[i].result = ring_of(take, hits, bleed, table[i].drum, table[i].mic);
    });
    for (auto& ring : table)
        for (const auto& near : table)
            if (near.drum != ring.drum) doubt_shared(ring, near, hits, bleed);
    return table;
}

} // namespace kitfold::dsp
