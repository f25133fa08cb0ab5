#pragma once
// A filter over samples that are all there.
#include "filters/state_variable.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// x behind the filter, which starts at rest. Allocates; any thread.
std::vector<float> filtered(std::span<const float> x, const Butterworth& filter);

} // namespace kitfold::dsp
