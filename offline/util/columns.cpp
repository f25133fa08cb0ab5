#include "offline/util/columns.h"
#include <algorithm>

namespace kitfold::offline {

std::string cell(const std::string& text, std::size_t width) {
    std::string out;
    std::size_t count = 0;
    for (const char c : text) {
        if ((static_cast<unsigned char>(c) & 0xc0u) != 0x80u && ++count > width) break;
        out += c;
    }
    return out + std::string(width - std::min(width, count), ' ');
}

std::string wrapped(const std::string& text, std::size_t indent) {
    std::string out;
    std::size_t at = 0, column = indent;
    while (at < text.size()) {
        const auto end = std::min(text.find(' ', at), text.size());
        const auto length = end - at;
        if (column > indent && column + 1 + length > kColumns) {
            out += '\n' + std::string(indent, ' ');
            column = indent;
        } else if (column > indent) {
            out += ' ';
            ++column;
        }
        out += text.substr(at, length);
        column += length;
        at = end + 1;
    }
    return out;
}

} // namespace kitfold::offline
