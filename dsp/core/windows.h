#pragma once
// Windows, and the low-passes that are made with them. In double; not for the audio path.
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

/// Half a turn of a cosine from 0 to 1 while x goes from 0 to 1; 0 before it, 1 behind.
inline double raised_cosine(double x) noexcept {
    return x <= 0.0 ? 0.0 : x >= 1.0 ? 1.0 : 0.5 - 0.5 * std::cos(std::numbers::pi * x);
}

/// Hann window of `length` samples at `n`, 0 at 0 and at length.
inline double hann(double n, double length) noexcept {
    return 0.5 - 0.5 * std::cos(2.0 * std::numbers::pi * n / length);
}

inline double sinc(double x) noexcept {
    return x == 0.0 ? 1.0 : std::sin(std::numbers::pi * x) / (std::numbers::pi * x);
}

/// Impulse response at sample x of a low-pass without a window. @param corner share of the rate, 0..0.5
inline double ideal_low_pass(double corner, double x) noexcept {
    return std::abs(x) < 1e-9 ? 2.0 * corner
                              : std::sin(2.0 * std::numbers::pi * corner * x) / (std::numbers::pi * x);
}

/// sinc under a cosine-square window that ends at +-reach: what lies between samples.
inline double windowed_sinc(double x, double reach) noexcept {
    const double c = std::cos(0.5 * std::numbers::pi * x / reach);
    return sinc(x) * c * c;
}

/// Kaiser's window over -1..1, 1 in the middle (Oppenheim and Schafer, ch. 7).
double kaiser(double beta, double x) noexcept;
/// ibid.: the beta for a stop band 50 dB down or more.
constexpr double kaiser_beta(double stop_db) noexcept { return 0.1102 * (stop_db - 8.7); }
/// ibid.: the length for a transition of so many radians a sample, or the transition that a length gives.
constexpr double kaiser_length(double stop_db, double transition) noexcept {
    return (stop_db - 8.0) / (2.285 * transition);
}

} // namespace kitfold::dsp
