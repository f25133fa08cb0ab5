#pragma once
// From judged pairs to settings: what a pair needs, and one consistent set of polarities and delays for all
// mics.
#include "pairs/pairs.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

struct PairFix {
    bool flip = false;  ///< turn one of the two over
    bool delay = false; ///< delay the earlier one by |delay_ms|
    [[nodiscard]] bool any() const noexcept { return flip || delay; }
};

/// What pair `p` needs as the mics are set now; nothing if it wasn't judged. Two close mics of one drum
/// belong in step, to 0.1 ms. Between a close mic and an overhead, between overheads and between rooms the
/// way of the sound is part of the picture, so only a time is fixed that the size of a kit can't explain: the
/// overhead before the close mic, or more than 6 ms after it; overheads or rooms more than 6 ms apart (common
/// practice, no source).
PairFix fix_for(std::span<const TakeMic> mics, const Pair& p) noexcept;

struct MicSetting {
    bool inverted = false;
    double delay_ms = 0.0; ///< 0..50
};

/// Settings for all mics, in the order of take.mics, that leave no judged pair to fix. Mics that no judged
/// pair speaks of keep what they have. As few mics as possible are flipped, and only mics whose times belong
/// together are delayed.
std::vector<MicSetting> align(std::span<const TakeMic> mics, std::span<const Pair> pairs);

} // namespace kitfold::dsp
