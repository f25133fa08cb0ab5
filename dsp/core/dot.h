#pragma once
// Sum of products.
#include <array>
#include <cstddef>

namespace kitfold::dsp {

/// In eight sums that do not wait for each other, so that the compiler may use vectors; the same bits for any
/// instruction set.
inline float dot(const float* a, const float* b, std::size_t n) noexcept {
    constexpr std::size_t kLanes = 8;
    std::array<float, kLanes> sum{};
    std::size_t i = 0;
    for (; i + kLanes <= n; i += kLanes)
        for (std::size_t l = 0; l < kLanes; ++l) sum[l] += a[i + l] * b[i + l];
    float total = 0.0f;
    for (const float s : sum) total += s;
    for (; i < n; ++i) total += a[i] * b[i];
    return total;
}

} // namespace kitfold::dsp
