#pragma once
#include <filesystem>
#include <string_view>

namespace kitfold::offline {

/// Opens an ordinary file to read and returns its descriptor, which is the caller's. Never waits: a pipe or a
/// device is refused. @param what the file is to be, for the message: "an audio file".
/// Throws Error, bad_input: no such file, a folder, a pipe, a device, links that lead round in a circle;
/// io_failed: can't be opened.
int open_input(const std::filesystem::path& path, std::string_view what);

} // namespace kitfold::offline
