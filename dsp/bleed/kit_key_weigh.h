#pragma once
// What the kit's key hears of a take, gathered for those who have to decide: own hits and all else, mic by
// mic; and what each hit adds to every mic.
#include "bleed/key_player.h"
#include "bleed/kit_key_gap.h"
#include "bleed/kit_key_strangers.h"

namespace kitfold::dsp {

/// Per mic, of the hits as they are listed.
std::vector<KeyPeaks> weigh_hits(const KeyTake& take, KeyPlayer& player, const KitKeyTable& table);

/// Per hit, from the take as it was recorded.
HitPatterns hit_patterns(const KeyTake& take, KeyPlayer& player);

} // namespace kitfold::dsp
