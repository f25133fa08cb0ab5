#pragma once
// From places to sources: what each does to the mics that listen.
#include "hits/events.h"
#include "hits/names.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// One source per place, with the shape its strokes have in the middle, less what others explain of it.
std::vector<Source> sources_of(std::span<const NamedPlace> places, std::span<const HitEvent> events,
                               const Listeners& who);

} // namespace kitfold::dsp
