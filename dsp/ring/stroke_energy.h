#pragma once
// One stroke as the decay of its energy.
#include "ring/decay_fit.h"
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// One hit as its own close mic has it. Other drums may already sound before it; nothing else loud may start
/// inside.
struct RingHit {
    std::span<const float> samples; ///< some 30 ms before the hit, the hit, and on until the next loud event
    std::size_t onset = 0;          ///< index in `samples` at which the hit begins, within some 10 ms
};

inline constexpr double kCurveStepMs = 2.0; ///< fine beside the 10 ms that decays are smoothed over

struct StrokeEnergy {
    std::vector<double> blocks; ///< mean squares, kCurveStepMs each, from the loudest on
    std::size_t first = 0;      ///< block of the samples that is the loudest
    double before = 0.0;        ///< mean square of the quietest 10 ms before the stroke; infinite: not given
    double quietest = 0.0;      ///< of the quietest 30 ms, the stroke's own end included
};

/// Mean squares of all that is given, kCurveStepMs each.
std::vector<double> energy_blocks(std::span<const float> samples, double rate_hz);

/// The same of a narrow band. A Gaussian one: it hands on an exponential as it is and has no ring of its own
/// that would last longer; only a start is smeared, by 0.13 / half_width_hz seconds (standard deviation).
/// @param half_width_hz where the band is 3 dB down
std::vector<double> band_blocks(std::span<const float> samples, double rate_hz, double hz,
                                double half_width_hz);

/// @param onset_s from the first block on
StrokeEnergy stroke_energy(std::span<const double> blocks, double onset_s);

/// Samples until something else starts: a rise of 4 dB within 16 ms. In a band that holds the whole drum,
/// partials that beat rise more slowly.
std::size_t until_next_event(const StrokeEnergy& stroke, double rate_hz);

/// One decay per stroke. The noise that is taken out is the quietest moment of all strokes, or the level at
/// which a stroke comes to rest.
std::vector<DecayFit> fit_strokes(std::span<const StrokeEnergy> strokes);

/// Steady noise under one of them: see fit_strokes.
double noise_under(const StrokeEnergy& stroke, std::span<const StrokeEnergy> strokes);

} // namespace kitfold::dsp
