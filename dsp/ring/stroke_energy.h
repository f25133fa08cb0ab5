#pragma once
// One stroke as the decay of its energy.
#include "filters/state_variable.h"
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

inline constexpr double kCurveStepMs = 2.0;

struct StrokeEnergy {
    std::vector<double> blocks; ///< mean squares, kCurveStepMs each, from the loudest on
    std::size_t first = 0;      ///< block of the samples that is the loudest
    double before = 0.0;        ///< mean square of the quietest 10 ms before the stroke; infinite: not given
    double quietest = 0.0;      ///< of the quietest 30 ms, the stroke's own end included
};

/// The energy of a stroke whose band was cut out already.
StrokeEnergy stroke_energy(std::span<const float> samples, std::size_t onset, double rate_hz);

/// Samples until something else starts: a rise of 4 dB within 16 ms. In a band that holds the whole drum,
/// partials that beat rise more slowly.
std::size_t until_next_event(const StrokeEnergy& stroke, double rate_hz);

/// One decay per stroke. The noise that is taken out is the quietest moment of all strokes, or the level at
/// which a stroke comes to rest.
std::vector<DecayFit> fit_strokes(std::span<const StrokeEnergy> strokes);

/// Steady noise under one of them: see fit_strokes.
double noise_under(const StrokeEnergy& stroke, std::span<const StrokeEnergy> strokes);

/// `x` through both sections of a filter.
std::vector<float> filtered(std::span<const float> x, const Section& first, const Section& second);

} // namespace kitfold::dsp
