#include "offline/util/file_name.h"
#include <fmt/format.h>

namespace kitfold::offline {

std::string numbered_name(std::size_t mic, const std::string& name) {
    std::string out = fmt::format("{:02} ", mic + 1);
    for (const char c : name) {
        const auto byte = static_cast<unsigned char>(c);
        out += byte < 0x20 || std::string_view("/\\:*?\"<>|").find(c) != std::string_view::npos ? '_' : c;
    }
    return out;
}

std::string folded(std::string text) {
    for (char& c : text)
        if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
    return text;
}

} // namespace kitfold::offline
