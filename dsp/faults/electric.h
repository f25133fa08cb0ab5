#pragma once
// What no drum does, but a cable, a plug or a preamp: clicks and noise that one mic has and the room has not.
#include "faults/changes.h"
#include "faults/faults.h"
#include "take/mic_measure.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// crackle faults: mics with three or more clicks that two other mics would have heard, had they been sounds.
/// A click comes and goes within milliseconds while nothing begins in any other mic; where the others are
/// loud it can't be told from a stroke and is not counted. `level_db` is the peak of the loudest one.
/// @param measures one per mic, all on the time of the take; silent ones testify nothing
std::vector<Fault> crackles(std::span<const MicMeasure> measures);

/// Mics that are noisier by 6 dB or more in one third of the take than in another, told at moments at which
/// the other mics hear nothing but their own noise; a take without such moments in two thirds says nothing.
/// `to` is the noisier third, `amount` in dB, `drum` means nothing. @param measures as above
std::vector<TakeChange> noise_changes(std::span<const MicMeasure> measures);

} // namespace kitfold::dsp
