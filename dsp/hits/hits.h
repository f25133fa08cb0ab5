#pragma once
// Hits of a take: which drum, when, how hard. Found jointly over all mics.
#include "take/mic_scan.h"
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// All hits in order of time. Deterministic; uses two threads at most. An empty list is an honest answer:
/// silence, noise and takes without a drum have no hits. Drums with a close mic are found by it: own mic
/// first in time and level, bleed from the others discounted with gains learned from the take. Hi-hat, ride
/// and cymbals without a mic are found in the overheads and told apart by spectrum, place and decay, which is
/// less certain.
/// @param scans one per mic, in the order of take.mics, from MicScan
std::vector<Hit> find_hits(const Take& take, std::span<const ScanFeatures> scans);
/// The same for a take that nobody has scanned yet: reads it once, on two threads.
std::vector<Hit> find_hits(const Take& take);

} // namespace kitfold::dsp
