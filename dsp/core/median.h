#pragma once
// The middle of some numbers.
#include <algorithm>
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

/// The value in the middle, the upper one of two; 0 when there is none. Allocates: not for the audio path.
inline double upper_median(std::vector<double> x) {
    if (x.empty()) return 0.0;
    const auto middle = x.begin() + static_cast<std::ptrdiff_t>(x.size() / 2);
    std::nth_element(x.begin(), middle, x.end());
    return *middle;
}

} // namespace kitfold::dsp
