#pragma once
// What the places that are struck are called.
#include "hits/places.h"
#include "take/take.h"
#include <functional>
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Strokes on two places at once.
struct Together {
    std::vector<std::size_t> members; ///< index of each among the prints
    std::vector<bool> clear;          ///< by cell of a print: the other place is far below what is heard
};

/// A place and what it is; no drum where nothing proves one.
struct NamedPlace {
    Place place;
    std::optional<Drum> drum;
    std::vector<Together> also; ///< it and another place
};

/// By mic: when it first hears a place's strokes in the middle, ms, re one moment for all; none where that
/// can't be told.
using Arrivals = std::vector<std::optional<float>>;
using ArrivalsOf = std::function<Arrivals(const Place&)>;

/// Names by what is near which mic, and by spectrum where a drum has no mic: what speaks up to the top of the
/// overheads is a cymbal, what falls off steeply above 500 Hz and is neither kick nor snare a tom. Places
/// that are two others struck together are left out, and told of as `also` of both; so are those of two
/// strokes, unless they are all that a drum has.
std::vector<NamedPlace> name_places(std::vector<Place> places, std::span<const TakeMic> mics,
                                    const ArrivalsOf& arrivals_ms);

} // namespace kitfold::dsp
