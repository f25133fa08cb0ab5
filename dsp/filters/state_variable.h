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

/// Coefficients of one section for every lane. The trapezoidal step is written out for its two states, which
/// are the same numbers as in the book: with e = x - low, the new states are own_band band + to_band e and
/// low + own_low band + to_low e, and the output is direct x + from_band band + from_low low. 13 operations;
/// the way from state to state is three long instead of five, and that from input to output, which sections
/// in series have to wait for, two.
template <class V> struct SectionCoefficients {
    PerLane<V> own_band, to_band, own_low, to_low, direct, from_band, from_low;
    void set(std::size_t lane, const Section& s) noexcept {
        const double a1 = 1.0 / (1.0 + s.g * (s.g + s.k)), a2 = s.g * a1, a3 = s.g * a2;
        own_band[lane] = 2.0 * a1 - 1.0, to_band[lane] = 2.0 * a2;
        own_low[lane] = 2.0 * a2, to_low[lane] = 2.0 * a3;
        from_band[lane] = s.m1 * a1 + s.m2 * a2;
        const double from_e = s.m1 * a2 + s.m2 * a3 - s.m2;
        direct[lane] = s.m0 + s.m2 + from_e, from_low[lane] = -from_e;
    }
};

template <class V> struct SectionState { PerLane<V> band, low; };

/// Lanes from..to of one group's numbers to those from `at` on of another's.
template <class V> void copy_lanes(const PerLane<V>& in, std::size_t from, std::size_t to, PerLane<V>& out,
                                   std::size_t at) noexcept {
    for (std::size_t k = from; k < to; ++k) out.lane[at + k - from] = in.lane[k];
}
template <class V> void copy_lanes(const SectionCoefficients<V>& in, std::size_t from, std::size_t to,
                                   SectionCoefficients<V>& out, std::size_t at) noexcept {
    using C = SectionCoefficients<V>;
    for (const auto number :
         {&C::own_band, &C::to_band, &C::own_low, &C::to_low, &C::direct, &C::from_band, &C::from_low})
        copy_lanes(in.*number, from, to, out.*number, at);
}
template <class V> void copy_lanes(const SectionState<V>& in, std::size_t from, std::size_t to,
                                   SectionState<V>& out, std::size_t at) noexcept {
    copy_lanes(in.band, from, to, out.band, at), copy_lanes(in.low, from, to, out.low, at);
}

/// A section's coefficients and state in registers, for the length of a loop.
template <class V> struct SectionInLoop {
    V own_band, to_band, own_low, to_low, direct, from_band, from_low, band, low;
    SectionInLoop(const SectionCoefficients<V>& c, const SectionState<V>& s) noexcept
        : own_band(c.own_band.load()), to_band(c.to_band.load()), own_low(c.own_low.load()),
          to_low(c.to_low.load()), direct(c.direct.load()), from_band(c.from_band.load()),
          from_low(c.from_low.load()), band(s.band.load()), low(s.low.load()) {}
    V tick(V x) noexcept {
        const V e = x - low;
        const V out = direct * x + (from_band * band + from_low * low);
        low = (low + own_low * band) + to_low * e;
        band = own_band * band + to_band * e;
        return out;
    }
    void keep(SectionState<V>& s) const noexcept { s.band.store(band), s.low.store(low); }
};

} // namespace kitfold::dsp
