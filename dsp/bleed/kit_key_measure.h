#pragma once
// What of a kit's bleed can be measured band by band: the noise of each mic, how loud each drum comes in each
// other mic, how much of it the overheads explain, and how little of the lower bands a cymbal has.
#include "bleed/key_player.h"

namespace kitfold::dsp {

/// Sets noise, gains and wash of the table. @pre it has all mics, and the waveforms that the player knows
void measure_bleed(const KeyTake& take, KeyPlayer& player, KitKeyTable& table);

} // namespace kitfold::dsp
