#include "filters/state_variable.h"
#include <algorithm>
#include <numbers>

namespace kitfold::dsp {
namespace {

constexpr double kQ2 = std::numbers::sqrt2 / 2.0; // order 2
constexpr double kQ3 = 1.0;                       // order 3, beside one real pole
constexpr double kQ4a = 0.54119610014619698;      // order 4: 1 / (2 cos(pi / 8))
constexpr double kQ4b = 1.30656296487637652;      // order 4: 1 / (2 cos(3 pi / 8))

double warped(double rate_hz, double hz) noexcept {
    return std::tan(std::numbers::pi * std::min(hz / rate_hz, 0.49));
}

} // namespace

std::complex<double> Section::response(double hz, double rate_hz) const noexcept {
    if (passes_through()) return 1.0;
    const std::complex<double> s(0.0, std::tan(std::numbers::pi * hz / rate_hz) / g);
    return m0 + (m1 * s + m2) / (s * s + k * s + 1.0);
}

Section Section::high_pass(double rate_hz, double hz, double q) noexcept {
    return {warped(rate_hz, hz), 1.0 / q, 1.0, -1.0 / q, -1.0};
}
Section Section::low_pass(double rate_hz, double hz, double q) noexcept {
    return {warped(rate_hz, hz), 1.0 / q, 0.0, 0.0, 1.0};
}
// One pole inside a section of two: (s + 1) stands above and below, s / (s + 1) = s (s + 1) / (s + 1)².
Section Section::high_pass_one_pole(double rate_hz, double hz) noexcept {
    return {warped(rate_hz, hz), 2.0, 1.0, -1.0, -1.0};
}
Section Section::low_pass_one_pole(double rate_hz, double hz) noexcept {
    return {warped(rate_hz, hz), 2.0, 0.0, 1.0, 1.0};
}
Section Section::band_pass(double rate_hz, double hz, double q) noexcept {
    return {warped(rate_hz, hz), 1.0 / q, 0.0, 1.0 / q, 0.0};
}

Section Section::low_shelf(double rate_hz, double hz, double db, double slope) noexcept {
    const double a = std::pow(10.0, db / 40.0);
    const double k = std::sqrt((a + 1.0 / a) * (1.0 / slope - 1.0) + 2.0);
    return {warped(rate_hz, hz) / std::sqrt(a), k, 1.0, k * (a - 1.0), a * a - 1.0};
}

Section Section::bell(double rate_hz, double hz, double db, double q) noexcept {
    const double a = std::pow(10.0, db / 40.0);
    const double k = 1.0 / (q * a);
    return {warped(rate_hz, hz), k, 1.0, k * (a * a - 1.0), 0.0};
}

Section between(const Section& a, const Section& b, double t) noexcept {
    const auto mix = [t](double from, double to) { return from == to ? to : from + t * (to - from); };
    return {mix(a.g, b.g), mix(a.k, b.k), mix(a.m0, b.m0), mix(a.m1, b.m1), mix(a.m2, b.m2)};
}

// s = (1 - z) / (g (1 + z)) in (p0 s² + p1 s + p2) / (s² + k s + 1), z a delay of one sample.
DirectSection DirectSection::make(const Section& s) noexcept {
    if (s.passes_through()) return {};
    const double g2 = s.g * s.g, p0 = s.m0, p1 = (s.m0 * s.k + s.m1) * s.g, p2 = (s.m0 + s.m2) * g2;
    const double below = 1.0 + s.k * s.g + g2, above = p0 + p1 + p2;
    return {2.0 * (g2 - 1.0) / below,
            (1.0 - s.k * s.g + g2) / below,
            2.0 * (p2 - p0) / above,
            (p0 - p1 + p2) / above,
            above / below,
            2.0 * s.g / below,
            2.0 * g2 / below};
}

// A section that is off keeps the corner of its neighbour, so that a change of slope only fades its output
// in.
Butterworth Butterworth::high_pass(double rate_hz, double hz, Slope slope) noexcept {
    const Section off{warped(rate_hz, hz), 1.0 / kQ2, 1.0, 0.0, 0.0};
    if (slope == Slope::db_6) return {Section::high_pass_one_pole(rate_hz, hz), off};
    if (slope == Slope::db_12) return {Section::high_pass(rate_hz, hz, kQ2), off};
    if (slope == Slope::db_18)
        return {Section::high_pass_one_pole(rate_hz, hz), Section::high_pass(rate_hz, hz, kQ3)};
    if (slope == Slope::db_24)
        return {Section::high_pass(rate_hz, hz, kQ4a), Section::high_pass(rate_hz, hz, kQ4b)};
    return {off, off};
}

Butterworth Butterworth::low_pass(double rate_hz, double hz, Slope slope) noexcept {
    const Section off{warped(rate_hz, hz), 1.0 / kQ2, 1.0, 0.0, 0.0};
    if (hz >= 0.49 * rate_hz) return {off, off}; // nothing above it is left to lose
    if (slope == Slope::db_6) return {Section::low_pass_one_pole(rate_hz, hz), off};
    if (slope == Slope::db_12) return {Section::low_pass(rate_hz, hz, kQ2), off};
    if (slope == Slope::db_18)
        return {Section::low_pass_one_pole(rate_hz, hz), Section::low_pass(rate_hz, hz, kQ3)};
    if (slope == Slope::db_24)
        return {Section::low_pass(rate_hz, hz, kQ4a), Section::low_pass(rate_hz, hz, kQ4b)};
    return {off, off};
}

} // namespace kitfold::dsp
