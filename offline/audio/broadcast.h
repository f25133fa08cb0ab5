#pragma once
// Between BroadcastInfo and libsndfile. Only the audio file sources include this.
#include "offline/audio/audio_file.h"
#include <sndfile.h>

namespace kitfold::offline {

std::optional<BroadcastInfo> broadcast_of(SNDFILE* file);

/// The bytes of a "bext" chunk of version 1, an even number, without its name and size.
std::string broadcast_chunk(const BroadcastInfo& info);

/// Before the first sample. False when libsndfile refuses it.
bool set_broadcast(SNDFILE* file, const BroadcastInfo& info);

} // namespace kitfold::offline
