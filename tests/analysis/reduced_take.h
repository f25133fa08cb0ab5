#pragma once
// What BleedReducer does to a mic's own drum and to its bleed, each by itself, against the simulator's truth.
#include "analysis/hard_take.h"
#include "bleed/bleed_reducer.h"

namespace kitfold::test {

struct ReductionVerdict {
    double kept_db = 0.0;    ///< own drum's energy, re before
    double softest_db = 0.0; ///< the least that is left of a hit's first 100 ms
    double bleed_db = 0.0;   ///< all else, re before
    double apart_db = 0.0; ///< all else where the own drum is not heard: from 0.35 s after a hit to the next
    /// Log-spectral distance, dB (root mean square over bins to 12 kHz, mean over windows to 0.4 s after own
    /// hits, 60 dB down from the loudest bin at most), to the own drum by itself: of the mic as it was, of
    /// what came out, and of what came out with no bleed going in (what the masks do to the drum itself).
    double before_lsd_db = 0.0, after_lsd_db = 0.0, own_lsd_db = 0.0;
};

/// The mics of these roles, all reduced by `reduction_db` in one go.
std::map<dsp::Role, ReductionVerdict> judge_reduction(const HardTake& take,
                                                      const dsp::BleedTransfer& transfer,
                                                      const std::vector<dsp::Role>& roles,
                                                      double reduction_db);

} // namespace kitfold::test
