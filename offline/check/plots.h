#pragma once
// The pictures of a check report, each an HTML fragment with an id of its own; empty when there is nothing to
// show.
#include "offline/check/check.h"
#include <string>

namespace kitfold::offline {

std::string plot_take(const CheckResult& result);  ///< id plot-take: hits by drum over time
std::string plot_mics(const CheckResult& result);  ///< id plot-mics: level over time, faults marked
std::string plot_pairs(const CheckResult& result); ///< id plot-pairs: two mics of a drum that no fix is for
std::string plot_bleed(const CheckResult& result); ///< id plot-bleed: heat table
std::string plot_ring(const CheckResult& result);  ///< id plot-ring: decay curves with partials
std::string plot_image(const CheckResult& result); ///< id plot-image: the kit between the speakers
std::string plot_worth(const CheckResult& result); ///< id plot-worth: what each mic brings
std::string plot_gates(const CheckResult& result); ///< id plot-gates: own hits, bleed and threshold per mic

/// Two small panels for the card of a fix: one typical hit as it is, and after the fix. @param pair index
std::string before_and_after(const CheckResult& result, std::size_t pair);

} // namespace kitfold::offline
