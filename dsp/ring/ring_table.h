#pragma once
// Ring of every drum of a take that has a mic of its own.
#include "bleed/bleed.h"
#include "ring/ring.h"
#include "take/take.h"
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

struct DrumRing {
    Drum drum = Drum::kick;
    std::size_t mic = 0; ///< the one that speaks for the drum
    RingResult result;
};

/// Drums in the order of Drum; kick, snare and toms only, cymbals ring longer than a take leaves them alone.
/// A drum without a stroke that rings undisturbed for 80 ms has an entry with nothing in it. Uses two threads
/// at most.
std::vector<DrumRing> ring_table(const Take& take, std::span<const Hit> hits, std::span<const Bleed> bleed);

/// The same for one mic, any drum: what deadening it is learned from.
RingResult ring_of(const Take& take, std::span<const Hit> hits, std::span<const Bleed> bleed, Drum drum,
                   std::size_t mic);

/// The bands around given frequencies, in the strokes that ring_of() looks at: see partial_at().
std::vector<RingPartial> partials_at(const Take& take, std::span<const Hit> hits,
                                     std::span<const Bleed> bleed, Drum drum, std::size_t mic,
                                     std::span<const double> hz);

} // namespace kitfold::dsp
