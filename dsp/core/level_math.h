#pragma once
// Logarithm and exponential for level detectors: branch-free, so that a loop over samples becomes vector
// code, and made of + - * / and bit operations only, so that every instruction set gives the same number.
#include <bit>
#include <cstdint>
#include <numbers>

namespace kitfold::dsp {

/// Base-2 logarithm of a normal positive number, within 1e-10 (6e-10 dB of a level).
/// log2 m = 2/ln 2 atanh((m - 1) / (m + 1)), its series to the 13th power, m in sqrt(1/2)..sqrt 2.
inline double level_log2(double x) noexcept {
    constexpr double kSeries = 2.0 / std::numbers::ln2;
    constexpr std::uint64_t kSqrtHalf = 0x3FE6A09E667F3BCDull; // bits of sqrt(1/2)
    const auto bits = std::bit_cast<std::uint64_t>(x);
    const auto shifted = bits - kSqrtHalf + (1023ull << 52); // exponent field: the power of two beside m
    const auto power = shifted >> 52;
    const double m = std::bit_cast<double>(bits - ((power - 1023ull) << 52));
    const double exponent =
        std::bit_cast<double>(power | 0x4330000000000000ull) - (4503599627370496.0 + 1023.0);
    const double t = (m - 1.0) / (m + 1.0), t2 = t * t;
    const double series =
        t *
        (1.0 + t2 * (1.0 / 3 + t2 * (1.0 / 5 + t2 * (1.0 / 7 + t2 * (1.0 / 9 + t2 * (1.0 / 11 + t2 / 13))))));
    return exponent + kSeries * series;
}

/// 2 to the power x, -1000 < x < 1000, within 1e-10 of the value. Taylor series of e^(f ln 2), |f| <= 1/2.
inline double level_exp2(double x) noexcept {
    constexpr double kRound = 6755399441055744.0; // 1.5 * 2^52: adding it rounds to a whole number
    const double shifted = x + kRound;
    const double whole = shifted - kRound;
    const double f = (x - whole) * std::numbers::ln2;
    const double series =
        1.0 +
        f * (1.0 +
             f * (1.0 / 2 +
                  f * (1.0 / 6 +
                       f * (1.0 / 24 + f * (1.0 / 120 + f * (1.0 / 720 + f * (1.0 / 5040 + f / 40320)))))));
    return std::bit_cast<double>(std::bit_cast<std::uint64_t>(series) +
                                 (std::bit_cast<std::uint64_t>(shifted) << 52));
}

inline constexpr double kDbPerLog2 = 6.0205999132796239; ///< 20 log10(2)

} // namespace kitfold::dsp
