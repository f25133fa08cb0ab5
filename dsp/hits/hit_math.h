#pragma once
// Decibels and order statistics of powers, as the hit finder uses them.
#include <algorithm>
#include <bit>
#include <cmath>
#include <cstdint>
#include <vector>

namespace kitfold::dsp {

inline constexpr float kDbPerDoubling = 3.0103f;

inline float decibels(float power) noexcept { return 10.0f * std::log10(power + 1e-16f); }
inline float from_db(float db) noexcept { return std::exp2(db * 0.33219281f); }

/// log2 to 0.01, for scores alone.
inline float quick_log2(float x) noexcept {
    const auto bits = std::bit_cast<std::uint32_t>(x);
    const float mantissa = std::bit_cast<float>((bits & 0x007FFFFFu) | 0x3F800000u);
    return static_cast<float>(static_cast<int>(bits >> 23) - 127) +
           ((-0.33582878f * mantissa + 2.0f) * mantissa - 1.65871022f);
}

/// @param q 0..1; the value of that rank, 0 when there is none. Reorders x.
inline float quantile(std::vector<float>& x, double q) {
    if (x.empty()) return 0.0f;
    const auto at = x.begin() + static_cast<std::ptrdiff_t>(q * static_cast<double>(x.size() - 1) + 0.5);
    std::nth_element(x.begin(), at, x.end());
    return *at;
}

} // namespace kitfold::dsp
