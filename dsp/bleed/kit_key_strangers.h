#pragma once
// Which hits listed for a drum look like another drum's in all mics. Pure; deterministic; not for the audio
// thread.
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// By hit and channel (mic and band): the level that the hit adds there, dB, or kHidden.
using HitPatterns = std::vector<std::vector<double>>;
inline constexpr double kHidden = 1e9; ///< no level: covered by what rang before

/// Of a drum's own hits those near which there are more of the others than of its own; indices into patterns.
/// How near is what the third nearest of its own says, since a few of either are mistakes.
std::vector<std::size_t> strangers(const HitPatterns& patterns, std::span<const std::size_t> own,
                                   std::span<const std::size_t> others);

} // namespace kitfold::dsp
