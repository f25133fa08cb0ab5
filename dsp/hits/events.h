#pragma once
// Moments at which something in the kit was struck, and who hears them.
#include "hits/hit_model.h"
#include <span>
#include <utility>
#include <vector>

namespace kitfold::dsp {

/// Who listens: the mics near enough to hear drums rather than walls.
struct Listeners {
    std::vector<std::size_t> mics;                 ///< index of each among the ears
    std::vector<std::optional<Drum>> near;         ///< the drum each is put up for
    std::vector<std::size_t> overheads;            ///< places among the listeners
    std::vector<std::pair<Drum, std::size_t>> own; ///< drums with a mic of their own and its place
};
Listeners listeners(std::span<const TakeMic> mics);

/// All moments at which something steps up, in order of time.
std::vector<HitEvent> gather_events(std::span<const Ear> ears, const Listeners& who);

} // namespace kitfold::dsp
