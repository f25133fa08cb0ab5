#pragma once
// Do two mics that share a drum work together: arrival difference, polarity, low end of the sum.
#include "take/take.h"
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace kitfold::dsp {

/// What one pair needs, as the mics are set now (TakeMic).
struct Pair {
    std::size_t a = 0, b = 0; ///< indices into take.mics
    std::optional<Drum> drum; ///< the drum both were judged on; none for a pair that no drum could judge
    double delay_ms = 0.0;    ///< how much later b hears the drum than a: difference of the first arrivals
    bool opposite = false;    ///< b answers upside down at first arrival
    double confidence = 0.0;  ///< 0..1; below kJudgedConfidence delay and polarity are not to be used
    std::size_t hits = 0;     ///< hits that the figures rest on
    double spread_ms = 0.0;   ///< median absolute deviation of the delay over hits
    double low_gain_before_db = 0.0; ///< below 200 Hz: level of a + b re the power sum of both, -inf..+3.01
    double low_gain_after_db =
        0.0; ///< the same with b flipped if opposite and the earlier mic delayed by |delay_ms|
    double full_gain_before_db = 0.0, full_gain_after_db = 0.0; ///< the same over all frequencies
    std::string why_not; ///< why it can't be judged, in plain words; empty when it can
    [[nodiscard]] bool judged() const noexcept;
};

inline constexpr double kJudgedConfidence = 0.5;

/// Kick in/out, snare top/bottom, each close mic against each overhead (on its own drum), overhead
/// left/right, rooms. Every pair that the roles suggest is in the list, judged or not. Delays up to +-40 ms
/// are looked for. Estimators: onset of the hit, whitened correlation and plain correlation of the low band
/// (Knapp and Carter, IEEE Trans. ASSP 24(4), 1976), first arrival each, robust over hits. Uses two threads.
std::vector<Pair> judge_pairs(const Take& take, std::span<const Hit> hits);

} // namespace kitfold::dsp
