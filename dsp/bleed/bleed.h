#pragma once
// Level of each drum in each mic.
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

struct Bleed {
    Drum drum = Drum::kick;
    std::size_t mic = 0;
    /// Energy of the drum's strokes in this mic until they have died away, re its own mic (0 there).
    double level_db = 0.0;
    double delay_ms = 0.0; ///< how much later this mic hears the drum than its own mic does
    double unsure_db =
        0.0;              ///< two standard errors of level_db, as the strokes and two ways of seeing it tell
    std::size_t hits = 0; ///< that it rests on
    /// Can't be told within kBleedUnsureDb (noise or other drums hide it, or the strokes don't agree):
    /// level_db is what it does not exceed.
    bool upper_bound = false;
};

inline constexpr double kBleedUnsureDb = 0.9; ///< 1.5 dB is more than three standard errors then

/// Drums with at least three hits that can be measured, every mic each. Drums without a mic of their own are
/// re the loudest mic; such a drum that is 6 dB louder in the close mic of another one than in all overheads
/// is that one under a wrong name, and left out. Allocates; any thread.
std::vector<Bleed> bleed_table(const Take& take, std::span<const Hit> hits);

} // namespace kitfold::dsp
