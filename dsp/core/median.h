#pragma once
// The middle of some numbers.
#include <algorithm>
#include <cstddef>
#include <utility>
#include <vector>

namespace kitfold::dsp {

/// The value in the middle, the upper one of two; 0 when there is none. Allocates: not for the audio path.
inline double upper_median(std::vector<double> x) {
    if (x.empty()) return 0.0;
    const auto middle = x.begin() + static_cast<std::ptrdiff_t>(x.size() / 2);
    std::nth_element(x.begin(), middle, x.end());
    return *middle;
}

/// The value in the middle, of an even number the mean of the two: turned over, it turns over. 0 when there
/// is none. Allocates.
inline double median(std::vector<double> x) {
    const double upper = upper_median(x);
    if (x.size() % 2 == 1) return upper;
    for (double& v : x) v = -v;
    return 0.5 * (upper - upper_median(std::move(x)));
}

/// The least value that, with those under it, makes up the share `q` of the weight; 0 when there is none.
/// @param values value and weight >= 0, in any order  @param q 0..1
inline double weighted_quantile(std::vector<std::pair<double, double>> values, double q) {
    std::sort(values.begin(), values.end());
    double all = 0.0, sum = 0.0;
    for (const auto& v : values) all += v.second;
    for (const auto& [value, weight] : values)
        if ((sum += weight) >= q * all) return value;
    return values.empty() ? 0.0 : values.back().first;
}

} // namespace kitfold::dsp
