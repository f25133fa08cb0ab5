#pragma once
// Ghost notes right after a backbeat, covered by the snare's own ring.
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A hit and when it was, on a clock that all mics share.
struct ClockedHit {
    Hit hit;
    double clock_s = 0.0;
};

/// Ghost notes on the snare that `hits` lacks: 28 to 330 ms after another stroke and up to 30 dB softer than
/// most. A ring is a sum of decaying sinusoids, so that a linear prediction (Makhoul, Proc. IEEE 63, 1975),
/// learned from the rings in this take, foretells it; what a new stroke adds can't be foretold. Judged from
/// 300 Hz to 1.5 kHz, where cymbals and what a kick's head does later are hardly heard; near a stroke of
/// another drum only if far more is added than that drum adds elsewhere. In order of time; good to be
/// counted, not to be measured. Allocates; any thread.
/// @param late_s by mic: seconds by which it is behind the clock
std::vector<Hit> ghosts_under_ring(const Take& take, std::span<const ClockedHit> hits,
                                   std::span<const double> late_s);

} // namespace kitfold::dsp
