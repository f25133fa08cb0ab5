#pragma once
// What a bounce has to learn of a take before it can take bleed down in it.
#include "bleed/bleed_reducer.h"
#include "offline/session/session.h"
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace kitfold::offline {

struct BleedReduction {
    dsp::BleedReducer reducer;
    std::vector<std::string> notices; ///< mics that are left as they are, and why. One line each.
};

/// Finds the hits of the take and learns from them, unless no mic asks for it (then nothing is read). Reads
/// the whole take once and parts of it again; memory as for `check`. Throws Error as TakeFiles does.
/// @param progress share done, 0..1
std::optional<BleedReduction> learn_bleed_reduction(const Session& session, double rate_hz,
                                                    const std::function<void(double)>& progress);

} // namespace kitfold::offline
