#pragma once
// The middle of some numbers, and other places in their order.
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <utility>
#include <vector>

namespace kitfold::dsp {

/// The value that `rank` others come before when all are sorted. Reorders x. @pre rank < x.size()
template <class T> T of_rank(std::vector<T>& x, std::size_t rank) {
    const auto at = x.begin() + static_cast<std::ptrdiff_t>(rank);
    std::nth_element(x.begin(), at, x.end());
    return *at;
}

/// The value nearest to the share `q` of the sorted values, q 0..1, the upper one of two that are as near; 0
/// when there is none. Reorders x.
template <class T> T quantile(std::vector<T>& x, double q) {
    if (x.empty()) return T{};
    return of_rank(x, static_cast<std::size_t>(std::lround(q * static_cast<double>(x.size() - 1))));
}
template <class T> T quantile(std::vector<T>&& x, double q) { return quantile(x, q); }

/// The value in the middle, the upper one of two; 0 when there is none. Allocates: not for the audio path.
inline double upper_median(std::vector<double> x) { return quantile(x, 0.5); }

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
