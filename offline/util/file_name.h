#pragma once
#include <cstddef>
#include <string>

namespace kitfold::offline {

/// "03 Snare top" of the mic at place 2: its number and its name as part of a file name, with _ for what some
/// disks refuse there.
std::string numbered_name(std::size_t mic, const std::string& name);

/// Its letters of ASCII as small ones: names that differ in nothing else are taken for the same.
std::string folded(std::string text);

} // namespace kitfold::offline
