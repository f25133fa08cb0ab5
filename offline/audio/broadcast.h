#pragma once
// Between BroadcastInfo and libsndfile. Only the audio file sources include this.
#include "offline/audio/audio_file.h"
#include <sndfile.h>

namespace kitfold::offline {

std::optional<BroadcastInfo> broadcast_of(SNDFILE* file);

/// Before the first sample. False when libsndfile refuses it.
bool set_broadcast(SNDFILE* file, const BroadcastInfo& info);

} // namespace kitfold::offline
