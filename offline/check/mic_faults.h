#pragma once
// What is wrong with each mic's recording, all kinds of it together.
#include "faults/faults.h"
#include "hits/hits.h"
#include "offline/session/take_files.h"
#include <span>
#include <vector>

namespace kitfold::offline {

/// Hits that speak for a mic: of its own drum, or all where it has none.
std::vector<double> times_for(std::span<const dsp::Hit> hits, dsp::Role role);

/// Faults of every mic of the take but for what takes pairs and images to tell. On two threads.
/// @param measures one per mic
std::vector<std::vector<dsp::Fault>>
faults_of(const TakeFiles& files, std::span<const dsp::MicMeasure> measures, std::span<const dsp::Hit> hits);

} // namespace kitfold::offline
