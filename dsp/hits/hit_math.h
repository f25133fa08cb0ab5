#pragma once
// Decibels of powers in single precision: the hit finder takes millions.
#include <bit>
#include <cmath>
#include <cstdint>

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

} // namespace kitfold::dsp
