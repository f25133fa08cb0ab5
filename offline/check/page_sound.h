#pragma once
// The report's buttons: each fix before and after.
#include "offline/check/fix_sounds.h"
#include <string>

namespace kitfold::offline {

/// The volume, -30 dB to begin with, and a word of caution; empty without sounds.
std::string sound_volume(const std::vector<FixSound>& sounds);
/// The two buttons of a pair's fix; empty where it has no sound.
std::string sound_buttons(std::size_t pair, const std::vector<FixSound>& sounds);
/// What plays them, for the end of the page; empty without sounds.
std::string sound_script(const std::vector<FixSound>& sounds, double rate_hz);

} // namespace kitfold::offline
