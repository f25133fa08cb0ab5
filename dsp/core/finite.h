#pragma once
#include <bit>
#include <cstdint>

namespace kitfold::dsp {

/// The sample, or silence for NaN and Inf. Written on the bits, because a loop with a floating-point
/// comparison in it is not made vector code (the comparison might trap).
inline float finite_or_silence(float x) noexcept {
    const auto bits = std::bit_cast<std::int32_t>(x);
    return std::bit_cast<float>(bits & ((bits & 0x7FFFFFFF) < 0x7F800000 ? -1 : 0));
}

} // namespace kitfold::dsp
