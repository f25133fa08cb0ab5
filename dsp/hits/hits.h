#pragma once
// Hits of a take: which drum, when, how hard. Found jointly over all mics.
#include "take/mic_scan.h"
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// All hits in order of time. Deterministic; uses two threads at most. An empty list is an honest answer:
/// silence, noise and takes without a drum have no hits. How loud a stroke is in one mic against another
/// tells the place that was struck; a drum with a close mic is what leads there and is heard there first,
/// timed by its samples. What speaks up to the top and has no mic is `cymbals`, hi-hat and ride too: nothing
/// proves more. Toms without a mic are named by pitch, where kick and snare are known. What nothing names is
/// left out. Mics that are dead don't count.
/// @param scans one per mic, in the order of take.mics, from MicScan
std::vector<Hit> find_hits(const Take& take, std::span<const ScanFeatures> scans);
/// The same for a take that nobody has scanned yet: reads it once, on two threads.
std::vector<Hit> find_hits(const Take& take);

} // namespace kitfold::dsp
