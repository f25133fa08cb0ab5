#pragma once
// What a mic's preamp has left over its loudest strokes, and how far to turn it before the take that counts.
#include "hits/hits.h"
#include "take/mic_measure.h"
#include <optional>
#include <span>
#include <string>

namespace kitfold::offline {

/// Players hit harder in the take than in the soundcheck: so much is kept for that (common practice, no
/// source).
inline constexpr double kKeptHeadroom_db = 6.0;
/// Up to this nothing is gained by turning up: a 24-bit recording has its own noise 100 dB and more below
/// (common practice, no source).
inline constexpr double kMostHeadroom_db = 18.0;

struct GainAdvice {
    double headroom_db = 0.0; ///< full scale re the loudest stroke; 0: clipped, and nobody knows by how much
    int turn_db = 0;          ///< at the preamp; 0: leave it
    bool clipped = false;     ///< then turn_db is the least that it takes
};

/// Of the loudest sample within 50 ms of any stroke, or of the whole take where none was found. Nothing for a
/// mic under -60 dBFS: there is nothing in it to go by. @param clipped flat tops were found
std::optional<GainAdvice> gain_advice(const dsp::MicMeasure& measure, std::span<const dsp::Hit> hits,
                                      bool clipped);

/// "leave", "down 3 dB", "up 12 dB", "down 6 dB or more".
std::string gain_words(const GainAdvice& advice);

} // namespace kitfold::offline
