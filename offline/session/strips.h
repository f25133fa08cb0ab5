#pragma once
// A session as the blocks of the mix take it.
#include "mix/kit_mix.h"
#include "offline/session/session.h"
#include <vector>

namespace kitfold::offline {

/// Everything of it that can be heard while it plays; bleed reduction needs the whole take and is not in it.
dsp::MixSettings mix_settings(const Session& session);

/// What each mic has of both sides of the sum: level, pan, width, mute and solo. Empty where the mix takes no
/// such rate or number of mics.
std::vector<dsp::StereoGain> gains_of(const Session& session, double rate_hz);

} // namespace kitfold::offline
