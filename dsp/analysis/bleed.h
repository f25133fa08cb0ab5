#pragma once
// Level of each drum in each mic.
#include "analysis/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

struct Bleed {
    Drum drum = Drum::kick;
    std::size_t mic = 0;
    double level_db =
        0.0; ///< energy of the drum's hits in this mic re its own mic (0 there), median over hits
    double delay_ms = 0.0;    ///< how much later this mic hears the drum than its own mic does
    double spread_db = 0.0;   ///< of two halves of the hits, each from their mean
    std::size_t hits = 0;     ///< that it rests on
    bool upper_bound = false; ///< noise or other drums hide it, or the hits don't agree: not louder than this
};

/// Drums with at least one measurable hit, every mic each. Drums without a mic of their own are re the
/// loudest mic.
std::vector<Bleed> bleed_table(const Take& take, std::span<const Hit> hits);

} // namespace kitfold::dsp
