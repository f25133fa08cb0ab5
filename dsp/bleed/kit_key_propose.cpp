#include "bleed/kit_key_propose.h"
#include "core/median.h"
#include "core/units.h"
#include "settings/parameters.h"
#include <algorithm>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr double kAboveBleedDb = 6.0; // what a threshold needs, takes differ
constexpr double kBelowHits = 0.6;    // of a margin too small for that: what is missed is lost
constexpr double kMostBelowDb = 15.0; // a threshold under the softest hit

} // namespace

Proposed propose_gate(std::size_t mic, const KeyPeaks& peaks) {
    Proposed out;
    auto& p = out.proposal;
    p.mic = mic, p.hits = peaks.own.size();
    if (p.hits < kLearnHits) {
        p.why_not = "fewer than two hits of its drum in the take";
        return out;
    }
    auto choice = choose_bands(peaks);
    out.gap = std::move(choice.gap);
    const auto& best = out.gap;
    p.margin_db = best.margin_db();
    p.softest_hit_db = db_from_power(best.softest), p.loudest_bleed_db = db_from_power(best.loudest);
    std::vector<double> levels;
    for (std::size_t h = 0; h < peaks.own.size(); ++h)
        levels.push_back(db_from_power(peaks.low[h]) -
                         db_from_power(power_under(peaks.own[h], choice.weight)));
    if (!best.fits()) {
        p.why_not = "its softest hits are no louder than bleed, even with all mics in hand";
        return out;
    }
    out.level_db = std::clamp(quantile(levels, 0.5), -40.0, 40.0);
    for (std::size_t b = 0; b < kKeyBands; ++b) out.weight_db[b] = db_from_power(choice.weight[b]);
    p.softest_hit_db += out.level_db, p.loudest_bleed_db += out.level_db;
    // nearer the bleed, and more so where there is room: the sooner it opens
    const double below_db = std::max(kBelowHits * p.margin_db, p.margin_db - kAboveBleedDb);
    const auto& range = parameter_of(&GateSettings::threshold_db);
    p.threshold_db = std::clamp(p.softest_hit_db - std::min(below_db, kMostBelowDb), range.min, range.max);
    return out;
}

} // namespace kitfold::dsp
