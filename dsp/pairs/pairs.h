#pragma once
// Do two mics that share a drum work together: who hears it first, which way up, and what the two sum to.
#include "take/take.h"
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace kitfold::dsp {

/// Judged pairs have 0.75 and more, by their doubt, open ones 0.25 at most: this lies between.
inline constexpr double kJudgedConfidence = 0.5;

/// Two mics of one drum.
struct Pair {
    std::size_t a = 0, b = 0; ///< indices into take.mics
    std::optional<Drum> drum; ///< the drum both were judged on; none for a pair that no drum could judge
    double delay_ms = 0.0;    ///< how much later b hears the drum than a: difference of the first arrivals,
                              ///< with the delays that are set (TakeMic)
    bool opposite = false;    ///< as recorded, whatever the session turns over: which way up b is against a,
                           ///< both lined up at their arrivals; by the lows (60 to 400 Hz) where these say so
                           ///< clearly, else by the first movement
    int first_movement = 0; ///< as recorded: +1 both first move the same way, -1 against each other, 0 unsure
    double confidence = 0.0; ///< 0..1; below kJudgedConfidence delay and polarity are not to be used
    std::size_t hits = 0;    ///< strokes that the figures rest on
    double spread_ms = 0.0;  ///< standard error of the delay (jackknife over strokes)
    std::string why_not;     ///< why it can't be judged, in plain words; empty when it can
    [[nodiscard]] bool judged() const noexcept { return confidence >= kJudgedConfidence; }
};

/// A file that lies off against the others by more than a kit explains; several, by the same time, where one
/// converter is behind another.
struct ShiftedFile {
    std::size_t mic = 0;
    double late_ms = 0.0; ///< negative: early; to some ms, since its mic's place isn't known
};

/// When a drum was struck, by the mic that speaks for it.
struct StrokeTimes {
    Drum drum = Drum::kick;
    std::vector<std::int64_t> at; ///< samples of the take
};

struct PairFindings {
    std::vector<Pair> pairs;
    std::vector<std::size_t> upside_down; ///< mics whose first movement is against at least two others'
                                          ///< and that the session does not turn over
    std::vector<ShiftedFile> shifted;
    std::vector<StrokeTimes> strokes; ///< of the drums that have a mic
};

/// Kick in/out, snare top/bottom, each close mic against each overhead (on its own drum), overhead
/// left/right, rooms (on the drum that tells most). Every pair that the roles suggest is in the list, judged
/// or not. Two mics are compared in stacks of the same strokes with the same weights (strokes.h); a pair is
/// judged where arrivals stand clear of noise, lie where such mics can stand, and stay when any part of the
/// strokes is left out. Uses two threads.
PairFindings judge_pairs(const Take& take, std::span<const Hit> hits);

} // namespace kitfold::dsp
