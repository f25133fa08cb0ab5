#include "bleed/bleed.h"
#include "bleed/bleed_share.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>
#include <limits>

namespace kitfold::dsp {

namespace {

constexpr double kLagMs = 45.0; // another mic may hear a hit so much earlier or later (kLagReach in hits.cpp)
constexpr double kBeforeMs = kLagMs + kShareWindowMs + kShareLeadMs, kAfterMs = kLagMs + 2.0 * kShareWindowMs;
constexpr double kCymbalHz = 600.0; // below there is nothing of a cymbal, and much of the kick
// Fainter than this re the drum what other drums happen to have in common with it decides, unless both ways
// of seeing it agree; then a bound is wider by what a figure may be off by.
constexpr double kFaintDb = -25.0, kAgreeDb = 1.0, kFaintMarginDb = 1.5;
constexpr double kElsewhereDb = 6.0;     // above all overheads, in another drum's mic
constexpr std::size_t kMostStrokes = 40; // the error falls with the root alone, and more cost time

double db(double power) { return db_from_power(power, kSilentDb); }

/// The mic that speaks for the drum, or the overhead in which it is loudest. Without a mic of its own it is a
/// cymbal, and what is bright: differences tell it from the kick that is played with it.
std::size_t measure_of(const Take& take, const DrumExcerpts& hits) {
    if (const auto own = own_mic(take.mics, hits.drum())) return *own;
    std::size_t best = 0;
    double most = -std::numeric_limits<double>::infinity();
    for (std::size_t m = 0; m < take.mics.size(); ++m) {
        if (!is_overhead(take.mics[m].role)) continue;
        double risen = 0.0;
        for (std::size_t n = 0; n < hits.hits(); ++n) {
            const auto x = hits.of(m, n);
            for (std::size_t i = 0; i < x.size(); ++i)
                risen +=
                    (i < hits.origin() ? -1.0 : 1.0) * static_cast<double>(x[i]) * static_cast<double>(x[i]);
        }
        if (risen > most) most = risen, best = m;
    }
    return best;
}

/// Hits with no other one in the window after theirs.
std::vector<bool> clean_hits(const DrumExcerpts& hits, std::span<const Hit> all) {
    std::vector<bool> out;
    for (std::size_t n = 0; n < hits.hits(); ++n)
        out.push_back(std::none_of(all.begin(), all.end(), [&](const Hit& h) {
            const double later_ms = 1000.0 * (h.time_s - hits.hit(n).time_s);
            return later_ms > kShareNextFromMs && later_ms < kShareNextToMs;
        }));
    return out;
}

/// Of one drum in every mic, power re the mic `own`.
struct Shares {
    std::size_t own = 0, hits = 0;
    std::vector<BleedShare> in_mic;
    std::vector<double> delay_ms;
};

Shares shares_of(const Take& take, const DrumExcerpts& hits, std::span<const Hit> all) {
    const double ms = take.rate_hz / 1000.0;
    const RealFft fft(fast_fft_size(static_cast<std::size_t>(std::ceil(kShareWindowMs * ms)))),
        wide(fast_fft_size(static_cast<std::size_t>((kShareWindowMs + kLagMs) * ms)));
    Shares out{measure_of(take, hits), hits.hits(), {}, {}};
    const bool cymbal = is_plate(hits.drum());
    const auto lowest =
        cymbal ? static_cast<std::size_t>(kCymbalHz / take.rate_hz * static_cast<double>(fft.size())) + 1 : 0;
    const OwnStrokes own(hits, out.own, lowest, clean_hits(hits, all), fft);
    if (!own.known()) return out;
    const StrokeSpectra own_wide(hits, out.own, 0.0, wide);
    for (std::size_t m = 0; m < take.mics.size(); ++m) {
        const double lag_ms = m == out.own ? 0.0
                                           : stroke_lag(own_wide, StrokeSpectra(hits, m, 0.0, wide),
                                                        own.weights, wide, kLagMs * ms) /
                                                 ms;
        out.in_mic.push_back(m == out.own ? BleedShare{{1.0, 0.0}, 0.0}
                                          : bleed_share(own, StrokesInMic(hits, m, lag_ms, fft)));
        out.delay_ms.push_back(lag_ms);
    }
    return out;
}

/// What the levels are re: the drum's own mic, or the one that has most of it.
std::size_t reference_of(const Take& take, const Shares& shares, Drum drum) {
    if (own_mic(take.mics, drum)) return shares.own;
    const auto loudest = std::max_element(
        shares.in_mic.begin(), shares.in_mic.end(), [](const BleedShare& x, const BleedShare& y) {
            return x.level.value - 2.0 * x.level.error < y.level.value - 2.0 * y.level.error;
        });
    return static_cast<std::size_t>(loudest - shares.in_mic.begin());
}

bool is_another_drum(const Take& take, const Shares& shares, Drum drum) {
    if (own_mic(take.mics, drum)) return false;
    double overhead = 0.0, close = 0.0;
    for (std::size_t m = 0; m < take.mics.size(); ++m) {
        const double level = shares.in_mic[m].level.value;
        if (is_overhead(take.mics[m].role)) overhead = std::max(overhead, level);
        if (own_drum(take.mics[m].role)) close = std::max(close, level);
    }
    return db(close) > db(overhead) + kElsewhereDb;
}

Bleed row_of(const Shares& shares, Drum drum, std::size_t mic, std::size_t reference) {
    const auto& [level, apart_db] = shares.in_mic[mic];
    const auto& to = shares.in_mic[reference].level;
    Bleed row;
    row.drum = drum, row.mic = mic, row.hits = shares.hits;
    if (mic == reference) return row;
    row.delay_ms = shares.delay_ms[mic] - shares.delay_ms[reference];
    const double most = db((std::max(level.value, 0.0) + 2.0 * level.error) / to.value);
    row.level_db = db(level.value / to.value);
    row.unsure_db = std::hypot(most - row.level_db, db(1.0 + 2.0 * to.error / to.value));
    const bool faint = row.level_db < kFaintDb && apart_db > kAgreeDb;
    row.upper_bound = row.unsure_db > kBleedUnsureDb || faint;
    if (row.upper_bound) row.level_db = most + (faint ? kFaintMarginDb : 0.0);
    return row;
}

std::vector<Bleed> of_drum(const Take& take, std::span<const Hit> all, Drum drum) {
    const DrumExcerpts hits(take, all, drum, kBeforeMs, kAfterMs, kMostStrokes,
                            own_mic(take.mics, drum) ? kMostStrokes : kFewestStrokes);
    if (hits.hits() < kFewestStrokes) return {};
    const auto shares = shares_of(take, hits, all);
    if (shares.in_mic.empty() || is_another_drum(take, shares, drum)) return {};
    const auto reference = reference_of(take, shares, drum);
    std::vector<Bleed> out;
    for (std::size_t m = 0; m < take.mics.size(); ++m) out.push_back(row_of(shares, drum, m, reference));
    return out;
}

} // namespace

std::vector<Bleed> bleed_table(const Take& take, std::span<const Hit> hits) {
    std::vector<Bleed> table;
    for (std::size_t d = 0; d < kDrumCount; ++d) {
        const auto rows = of_drum(take, hits, static_cast<Drum>(d));
        table.insert(table.end(), rows.begin(), rows.end());
    }
    return table;
}

} // namespace kitfold::dsp
