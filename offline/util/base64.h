#pragma once
// Samples inside a page.
#include <cstdint>
#include <string>
#include <vector>

namespace kitfold::offline {

/// 16-bit samples, little endian, in base 64 (RFC 4648, section 4).
std::string base64(const std::vector<std::int16_t>& samples);

} // namespace kitfold::offline
