#pragma once
// Hi-hat, ride and cymbals, with every other drum known already.
#include "hits/source_finder.h"
#include "hits/time_course.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A hit as the first pass sees it. Frames on the common clock.
struct KnownStroke {
    std::size_t source = 0;
    std::ptrdiff_t frame = 0;
    float strength_db = 0.0f; ///< re a typical hit of the source
};

/// @param sources of the first pass  @param strokes of them, in any order: certain for drums, a first idea
/// for cymbals  @param frames moments at which something was struck, rising
/// @param beam deaf to the cymbal that covers most, if any
/// Returns the strokes of all cymbals anew.
std::vector<KnownStroke> find_plates(std::span<const Ear> ears, const Listeners& who,
                                     std::span<const Source> sources, std::span<const KnownStroke> strokes,
                                     std::span<const std::ptrdiff_t> frames, const NullBeam& beam);

} // namespace kitfold::dsp
