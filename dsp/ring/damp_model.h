#pragma once
// What Damp does to one partial of a drum: the block itself run over that partial alone.
//
// Allocates and takes a millisecond or so: not for the audio thread. Pure; any thread.
#include "settings/settings.h"

namespace kitfold::dsp {

/// T60 in ms to which Damp brings a partial of `hz` (20..2'000) that rings for `open_ring_ms`: straight line
/// through its levels from 20 ms after the stroke on for `over_ms`, above 0. 0 when it doesn't fall, or the
/// settings are out of range.
double damped_ring_ms(const DampSettings& settings, double hz, double open_ring_ms, double over_ms);

} // namespace kitfold::dsp
