#pragma once
// The filter section under everything: trapezoidal state-variable filter (V. Zavalishin, "The Art of VA
// Filter Design", ch. 4), chosen because it stays stable while its settings move and stays clean at 20 Hz and
// 192 kHz. Filters made of it equal the bilinear designs of R. Bristow-Johnson, "Audio EQ Cookbook", and the
// Butterworth prototypes.
#include "core/lanes.h"
#include <complex>

namespace kitfold::dsp {

/// What a section is: output = m0 input + m1 band + m2 low, where band = s / (s² + k s + 1), low = 1 / (s² +
/// k s + 1) and s = j at the corner. Pure numbers in double; make once, share between channels.
struct Section {
    double g = 0.0; ///< tan(pi corner / rate)
    double k = 2.0; ///< 1 / Q
    double m0 = 1.0, m1 = 0.0, m2 = 0.0;

    /// Complex response at `hz` (0..rate/2), for tests and plots.
    [[nodiscard]] std::complex<double> response(double hz, double rate_hz) const noexcept;
    [[nodiscard]] bool passes_through() const noexcept { return m0 == 1.0 && m1 == 0.0 && m2 == 0.0; }

    /// All makers: corner above 0 Hz (held to 0.49 of the rate), q > 0.
    static Section high_pass(double rate_hz, double hz, double q) noexcept;
    static Section low_pass(double rate_hz, double hz, double q) noexcept;
    /// One pole; 6 dB per octave, -3.01 dB at the corner.
    static Section high_pass_one_pole(double rate_hz, double hz) noexcept;
    static Section low_pass_one_pole(double rate_hz, double hz) noexcept;
    /// 0 dB at the centre, falls 6 dB per octave on each side.
    static Section band_pass(double rate_hz, double hz, double q) noexcept;
    /// Cookbook low shelf: `db` at 0 Hz, db / 2 at `hz`; slope S 0.3..1.
    static Section low_shelf(double rate_hz, double hz, double db, double slope) noexcept;
    /// Cookbook peaking bell: `db` at `hz`.
    static Section bell(double rate_hz, double hz, double db, double q) noexcept;
};

/// From a to b; a and b themselves at t = 0 and 1.
Section between(const Section& a, const Section& b, double t) noexcept;

/// A Butterworth filter of up to 24 dB per octave: two sections, of which the second or both may pass
/// through. Slopes 0 (off), 6, 12, 18, 24 dB per octave; section Qs 0.7071 | 1 pole and 1.0 | 0.5412
/// and 1.3066.
struct Butterworth {
    Section first, second;
    static Butterworth high_pass(double rate_hz, double hz, double slope) noexcept;
    static Butterworth low_pass(double rate_hz, double hz, double slope) noexcept;
};

/// Coefficients of one section for every lane.
template <class V> struct SectionCoefficients {
    PerLane<V> a1, a2, a3, m0, m1, m2;
    void set(std::size_t lane, const Section& s) noexcept {
        const double d = 1.0 / (1.0 + s.g * (s.g + s.k));
        a1[lane] = d, a2[lane] = s.g * d, a3[lane] = s.g * s.g * d;
        m0[lane] = s.m0, m1[lane] = s.m1, m2[lane] = s.m2;
    }
};

template <class V> struct SectionState { PerLane<V> band, low; };

/// A section's coefficients and state in registers, for the length of a loop.
template <class V> struct SectionInLoop {
    V a1, a2, a3, m0, m1, m2, band, low;
    SectionInLoop(const SectionCoefficients<V>& c, const SectionState<V>& s) noexcept
        : a1(c.a1.load()), a2(c.a2.load()), a3(c.a3.load()), m0(c.m0.load()), m1(c.m1.load()),
          m2(c.m2.load()), band(s.band.load()), low(s.low.load()) {}
    V tick(V x) noexcept {
        const V v3 = x - low;
        const V v1 = a1 * band + a2 * v3;
        const V v2 = low + a2 * band + a3 * v3;
        band = v1 + v1 - band;
        low = v2 + v2 - low;
        return m0 * x + m1 * v1 + m2 * v2;
    }
    void keep(SectionState<V>& s) const noexcept { s.band.store(band), s.low.store(low); }
};

} // namespace kitfold::dsp
