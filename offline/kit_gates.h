#pragma once
// What was learned of a kit's bleed, put into its session.
#include "analysis/kit_key_learn.h"
#include "offline/session.h"
#include <string>
#include <vector>

namespace kitfold::offline {

/// Stores the bleed in the session. Gates of mics that became known, and new gates for tom mics without one,
/// get the kit as their key and the proposed threshold; their other settings stay. Nothing else is touched.
/// Returns a line for each gate that was set and each gated or tom mic that could not be helped.
/// @pre learned from a take with the mics of the session, in their order
std::vector<std::string> apply_kit_gates(Session& session, const dsp::LearnedKitKey& learned);

} // namespace kitfold::offline
