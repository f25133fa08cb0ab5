#pragma once
// The filter section under everything: trapezoidal state-variable filter (V. Zavalishin, "The Art of VA
// Filter Design", ch. 4), chosen because it stays stable while its settings move and stays clean at 20 Hz and
// 192 kHz. Filters made of it equal the bilinear designs of R. Bristow-Johnson, "Audio EQ Cookbook", and the
// Butterworth prototypes.
#include "core/lanes.h"
#include "settings/settings.h"
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
/// through. Section Qs 0.7071 | 1 pole and 1.0 | 0.5412 and 1.3066. A low-pass at 0.49 of the rate or above
/// is off.
struct Butterworth {
    Section first, second;
    static Butterworth high_pass(double rate_hz, double hz, Slope slope) noexcept;
    static Butterworth low_pass(double rate_hz, double hz, Slope slope) noexcept;
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

/// The same section in direct form 2, for while its settings rest: w = x - (a1 w1 + a2 w2), out = w + b1 w1 +
/// b2 w2, a gain apart that a cascade takes once, at its end: 8 operations. For double alone: w is up to
/// (rate / (6 corner))² times the input, 4e7 at 10 Hz and 384 kHz.
struct DirectSection {
    double a1 = 0.0, a2 = 0.0, b1 = 0.0, b2 = 0.0;
    double gain = 1.0;
    double band = 0.0, low = 0.0; ///< states of the trapezoidal section: band (w1 - w2), low (w1 + w2)
    /// Nothing but a gain of 1 where the section passes through, so that it hands on the very sample.
    static DirectSection make(const Section& section) noexcept;
};

/// Its numbers and its memory, in every lane.
template <class V> struct DirectFilter {
    PerLane<V> a1, a2, b1, b2, w1, w2;
    void set(std::size_t lane, const DirectSection& s) noexcept {
        a1[lane] = s.a1, a2[lane] = s.a2, b1[lane] = s.b1, b2[lane] = s.b2;
    }
    void forget() noexcept { w1 = {}, w2 = {}; }
};

/// A DirectFilter in registers, for the length of a loop.
template <class V> struct DirectInLoop {
    V a1, a2, b1, b2, w1, w2;
    explicit DirectInLoop(const DirectFilter<V>& f) noexcept
        : a1(f.a1.load()), a2(f.a2.load()), b1(f.b1.load()), b2(f.b2.load()), w1(f.w1.load()),
          w2(f.w2.load()) {}
    V tick(V x) noexcept {
        const V w = x - (a1 * w1 + a2 * w2);
        const V out = w + (b1 * w1 + b2 * w2);
        w2 = w1, w1 = w;
        return out;
    }
    void keep(DirectFilter<V>& f) const noexcept { f.w1.store(w1), f.w2.store(w2); }
};

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
