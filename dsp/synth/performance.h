#pragma once
// What the drummer plays. Rate, room and mics know nothing of it.
#include "take/take.h"
#include <cstdint>
#include <span>
#include <vector>

namespace kitfold::dsp {

struct Stroke {
    double time_s = 0.0; ///< when the stick, beater or hand touches the head
    Drum drum = Drum::kick;
    double strength_db = 0.0; ///< peak force re a full stroke, -60..0; louder strokes are brighter too
    double radius = 0.3;      ///< where: 0 centre .. 0.9 rim
    double angle = 0.0;       ///< where, radians round the head
    bool open = false;        ///< hi-hat only: pedal up, rings until the next closed stroke
};

enum class Style {
    groove, ///< backbeat with dynamics, ghost notes, fills round the toms, crashes; hats and ride by turns
    line_check,       ///< each drum alone, six strokes of falling strength, rung out
    hard_sparse_toms, ///< hard snare, crashes and loud hats; twelve soft and loud tom strokes, evenly spread
    hard_rolls        ///< the same with tom rolls, flams 25 ms apart, snare and tom together
};

/// The performance, in rising time. Depends on nothing but its arguments. @param tempo_bpm 40..240
std::vector<Stroke> perform(Style style, double seconds, double tempo_bpm, std::uint64_t seed);

} // namespace kitfold::dsp
