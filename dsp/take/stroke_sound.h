#pragma once
// What the strokes of a drum sound like in one mic, in two numbers.
#include "take/take.h"
#include <span>

namespace kitfold::dsp {

struct StrokeSound {
    double hz = 0.0;        ///< below it lies half the energy; 0: too few strokes
    double bright_db = 0.0; ///< energy above 1 kHz re all of it
};

/// Medians over the strokes at `times_s`, from 15 ms on, when stick, beater and the highest modes are gone,
/// to 95 ms. Fewer than three strokes say nothing. Reads an excerpt per stroke.
StrokeSound stroke_sound(const Take& take, std::size_t mic, std::span<const double> times_s);

} // namespace kitfold::dsp
