#include "offline/util/base64.h"

namespace kitfold::offline {

std::string base64(const std::vector<std::int16_t>& samples) {
    constexpr const char* kDigits = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    std::vector<unsigned char> bytes;
    for (const auto s : samples) {
        const auto u = static_cast<std::uint16_t>(s);
        bytes.push_back(static_cast<unsigned char>(u & 0xff)),
            bytes.push_back(static_cast<unsigned char>(u >> 8));
    }
    std::string out;
    for (std::size_t i = 0; i < bytes.size(); i += 3) {
        const auto byte = [&](std::size_t k) { return i + k < bytes.size() ? unsigned(bytes[i + k]) : 0u; };
        const unsigned word = byte(0) << 16 | byte(1) << 8 | byte(2);
        for (std::size_t k = 0; k < 4; ++k)
            out += i + k <= bytes.size() ? kDigits[word >> (18 - 6 * k) & 63] : '=';
    }
    return out;
}

} // namespace kitfold::offline
