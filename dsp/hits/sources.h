#pragma once
// From places to sources: what each does to the mics that listen.
#include "hits/events.h"
#include "hits/names.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// One source per place. Others only add to what a stroke brings: a head's shape is, channel by channel, the
/// least that its strokes show re its own mic, less the cymbals that are struck with it each time; a
/// cymbal's, and a head's without a mic, what its strokes show in the middle or, where others are mostly with
/// it, less.
std::vector<Source> sources_of(std::span<const NamedPlace> places, std::span<const HitEvent> events,
                               const Listeners& who);

} // namespace kitfold::dsp
