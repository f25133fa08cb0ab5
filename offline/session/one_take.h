#pragma once
// Whether files belong together, by the times at which they say they were recorded.
#include "offline/audio/audio_file.h"
#include <filesystem>
#include <span>
#include <vector>

namespace kitfold::offline {

struct PlacedFile {
    std::filesystem::path file;
    const AudioInfo* info = nullptr;
};

/// When each file starts, s after the earliest time reference; a file without one starts with the earliest.
/// Throws Error, bad_input, when one begins after all that began before it have ended: such files are not of
/// one take, and between them there would be nothing but silence, however long.
std::vector<double> starts_in_one_take(std::span<const PlacedFile> files);

} // namespace kitfold::offline
