#pragma once
// From what a gate's key would hear of a take, what to set: bands, level, threshold. Pure; deterministic; not
// for the audio thread.
#include "bleed/kit_key_gap.h"
#include "bleed/kit_key_learn.h"

namespace kitfold::dsp {

struct Proposed {
    KitKeyProposal proposal;
    KeyGap gap;
    // of the table; left alone where nothing can be proposed
    double level_db = 0.0;
    KeyBands weight_db{};
    [[nodiscard]] bool known() const { return proposal.why_not.empty(); }
};

/// A threshold between own hits and bleed.
Proposed propose_gate(std::size_t mic, const KeyPeaks& peaks);

} // namespace kitfold::dsp
