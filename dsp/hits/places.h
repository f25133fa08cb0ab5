#pragma once
// Where strokes come from, with no name yet. How loud a stroke is in one mic against another, band by band,
// is a property of the place that was struck: gains, how hard and with what cancel out.
#include "take/mic_scan.h"
#include <cstddef>
#include <limits>
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr float kFar = std::numeric_limits<float>::infinity(); ///< what can't be told

/// Of one place's pattern: strokes of one drum differ by 0.8 to 2 dB. Prints nearer than that are one place.
inline constexpr float kSpreadDb = 1.5f;

/// What is new in a moment. Cells: mic * kScanBands + band, of all mics of the take.
struct Print {
    std::vector<float> db;       ///< level of what is new; where that can't be told, no more than this
    std::vector<float> variance; ///< of it, dB²; infinite where it is only a bound from above
};

/// Whether a cell is known and not only bounded.
inline bool shown(const Print& p, std::size_t cell) { return p.variance[cell] < kFar; }

/// Prints alike. `db` is the levels' middle, a bound where most of its members show nothing.
struct Place {
    Print print;
    std::vector<std::size_t> members; ///< index of each among the prints, rising
};

/// Difference of two prints, dB RMS: patterns over mics, each band free in level; and, as far as `kSpectrum`
/// says, of their spectra free in level. Infinite where they have too little in common.
float apart_db(const Print& a, const Print& b);

/// Places with two strokes or more, those round which most strokes lie first. Of many prints the clearest
/// decide.
std::vector<Place> find_places(std::span<const Print> prints);

} // namespace kitfold::dsp
