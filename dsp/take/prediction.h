#pragma once
// Linear prediction: the short filter that makes a signal white without smearing its onsets backwards.
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Sums of x[n] x[n + lag] for lag 0..order.
std::vector<double> autocorrelation(std::span<const float> x, std::size_t order);

/// Prediction-error filter 1, c1, c2, … of the autocorrelation `r`, by Levinson's recursion; minimum phase. A
/// noise floor of 60 dB below the total is assumed, so silence is fine and gives 1.
std::vector<double> error_filter(std::span<const double> r);

} // namespace kitfold::dsp
