#pragma once
#include <string>

namespace kitfold::offline {

/// "kitfold 0.2.0 (build 1a2b3c4, GCC 12.2.0, AVX2)": the release; the commit it was built from, where that
/// was known; the compiler; the instruction set that the sound runs on here.
std::string version_words();

} // namespace kitfold::offline
