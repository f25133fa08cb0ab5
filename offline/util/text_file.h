#pragma once
#include <filesystem>
#include <string>

namespace kitfold::offline {

/// Reads a text file of at most `max_bytes`. Throws Error, bad_input: no such file, a folder, a pipe, a
/// device, longer than that; io_failed: can't be read.
std::string read_text_file(const std::filesystem::path& path, std::size_t max_bytes);

} // namespace kitfold::offline
