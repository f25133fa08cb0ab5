#pragma once
// When and which way up a sound begins.
#include <span>

namespace kitfold::dsp {

/// The start of a sound: the first time that it passes a share of the peak of its first wave. The peak of the
/// first 8 ms (a quarter wave of 30 Hz) stands for that wave.
struct FirstWave {
    double at = 0.0; ///< samples, at 5 %: the arrival (mean over 4 to 6.25 %, so that a step in
                     ///< the wave can't make it jump)
    double at_3 = 0.0, at_10 = 0.0; ///< at 3.5 and 7.1 %, 3 dB about it: how slowly it rises
    int sign = 0, sign_3 = 0;       ///< -1, 0 or +1: of the half-wave after 5 and 3.5 %, over 0.18 ms
    double peak = 0.0;
    bool on_bound = false; ///< it was there already where the search began, or not before its end: not an
                           ///< arrival
};

/// @param x the sound from anywhere before it begins  @param from, to samples (0 <= from < to < x.size())
/// between which it may begin. Reads x between its samples (band-limited, four times as fine).
FirstWave first_wave(std::span<const float> x, double rate_hz, double from, double to);

} // namespace kitfold::dsp
