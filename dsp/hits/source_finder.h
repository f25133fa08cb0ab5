#pragma once
// First idea of what each drum sounds like in all mics, with no hit known yet.
#include "hits/hit_model.h"
#include <span>
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

/// A source and the events that show it best.
struct FirstIdea {
    Source source;
    std::vector<std::size_t> examples;
    std::vector<float> heard; ///< their usual step by channel, other drums included
};

/// Drums with a mic of their own. A hit of such a drum is the event at which its mic stands out most against
/// all others, however loud other drums are in it; the clearest drum is learned first and what it explains is
/// left out for the next. A drum that nobody plays gives none.
std::vector<FirstIdea> own_sources(std::span<const HitEvent> events, const Listeners& who);

/// Hi-hat, ride and cymbals without a mic: what the overheads hear and no drum explains, sorted by how the
/// mics share it and named by how it decays.
std::vector<FirstIdea> free_sources(std::span<const HitEvent> events, std::span<const Ear> ears,
                                    const Listeners& who, std::span<const FirstIdea> drums);

/// Takes out of each shape what the other sources explain: a snare that is never struck without the hi-hat
/// would otherwise contain it.
void separate(std::vector<FirstIdea>& ideas, std::span<const HitEvent> events);

/// Overheads are there for cymbals: a shape without a mic of its own is nowhere louder than in them, but
/// where it is heard to ring on.
void keep_below_overheads(std::vector<FirstIdea>& ideas, std::span<const HitEvent> events,
                          const Listeners& who);

std::vector<Source> sources_of(std::span<const FirstIdea> ideas);

} // namespace kitfold::dsp
