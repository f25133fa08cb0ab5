#pragma once
// Polarities and delays that were tried on the take and help: one solution for the whole kit.
#include "mix/pan_mix.h"
#include "pairs/pairs.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Level of two mics' sum re the power sum of both over the first 80 ms of a drum's strokes, dB, -40..+3.01.
struct SumGain {
    double full_db = 0.0, low_db = 0.0; ///< over all frequencies; below 200 Hz
};

/// What a pair's two mics sum to, at the session's levels.
struct PairSum {
    std::size_t strokes = 0; ///< 0: nothing to measure it on
    SumGain now;             ///< as set
    SumGain turned;          ///< with one of the two turned over
    SumGain after;           ///< with all fixes in place
};

/// What one mic is to be set to, and the pair that gains most by it.
struct KitFix {
    std::size_t mic = 0;
    bool flips = false;
    double adds_ms = 0.0; ///< delay beyond what is set
    std::size_t pair = 0; ///< index into the pairs
};

struct KitSolution {
    std::vector<KitFix> fixes; ///< in the order of the mics
    std::vector<PairSum> sums; ///< of each pair
};

/// Flips and delays are tried one at a time, the one that raises the kit's sums most first, until none is
/// left. Each is chosen on every other stroke and measured on the rest, at the session's levels and pans: it
/// has to raise the sum of two mics of a listed pair by 1 dB in one band for 8 of 10 strokes, and may lower
/// no band, no other listed pair and no drum's sum of all mics by more than 0.5 dB. A mic is delayed only to
/// where a judged pair's arrivals meet. So with these settings nothing is left to propose.
/// @param gains of each mic, level and pan
KitSolution solve_kit(const Take& take, const PairFindings& findings, std::span<const StereoGain> gains);

} // namespace kitfold::dsp
