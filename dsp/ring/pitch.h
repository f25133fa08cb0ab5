#pragma once
// The pitch of a drum, from its partials.
#include "ring/ring.h"
#include <optional>
#include <string>

namespace kitfold::dsp {

/// A note of equal temperament, A4 = 440 Hz (ISO 16:1975).
struct Note {
    int number = 69;    ///< semitones, 69 is A4
    double cents = 0.0; ///< how far above it, -50..50
};
Note note_of(double hz); ///< @param hz above 0

/// "A2", "F#1".
std::string note_name(const Note& note);

/// The lowest of the partials that are no more than 12 dB under the strongest: what a tuner hears, since the
/// lowest modes carry the tone and a rattle below them is weak (common practice, no source). Of those whose
/// strokes agree on a ring time, if there are any. Nothing without partials.
std::optional<double> pitch_hz(const RingResult& ring);

} // namespace kitfold::dsp
