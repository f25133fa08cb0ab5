#pragma once
// Is every mic what its name says? Cables end up in the wrong input and files under the wrong name.
#include "faults/faults.h"
#include "pairs/pairs.h"
#include "take/mic_measure.h"
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// channel_order faults of close mics, one for each mic concerned, `other` being the mic it seems to be
/// exchanged with or to be compared with, `misplaced` the ground:
/// - by_pitch: of a kick, floor tom, rack tom, snare and hi-hat mic, one sounds clearly lower than one that
///   should be lower than it, both in the hits of its own drum and in its loudest moments, and exchanging the
///   two puts every mic in order. The order is common practice, no source.
/// - by_arrival: kick in hears the kick after kick out, or snare top the snare after snare bottom.
/// - late: a close mic hears its own drum after an overhead, all delays of the session applied.
/// At most one exchange by pitch: it is to be put right before anything else can be told.
/// @param measures one per mic, in the order of take.mics  @param pairs from judge_pairs
/// Reads up to 24 excerpts of 80 ms per close mic.
std::vector<Fault> misplaced_mics(const Take& take, std::span<const Hit> hits, std::span<const Pair> pairs,
                                  std::span<const MicMeasure> measures);

} // namespace kitfold::dsp
