#include "offline/util/printable.h"
#include <cstdint>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

struct Character {
    std::uint32_t code = 0;
    std::size_t bytes = 0; ///< 0: not UTF-8
};

/// The character that a non-empty text begins with (Unicode Standard, table 3-7: no overlong form, no
/// surrogate, at most U+10FFFF).
Character first_of(std::string_view text) {
    const auto byte = [&](std::size_t n) {
        return static_cast<std::uint32_t>(static_cast<unsigned char>(text[n]));
    };
    const auto lead = byte(0);
    if (lead < 0x80) return {lead, 1};
    const std::size_t bytes = lead >= 0xF0 ? 4 : lead >= 0xE0 ? 3 : 2;
    if (lead < 0xC2 || lead > 0xF4 || text.size() < bytes) return {};
    auto code = lead & (0x7Fu >> bytes);
    for (std::size_t n = 1; n < bytes; ++n) {
        if ((byte(n) & 0xC0u) != 0x80u) return {};
        code = code << 6 | (byte(n) & 0x3Fu);
    }
    constexpr std::uint32_t kLeast[] = {0x80, 0x800, 0x10000};
    if (code < kLeast[bytes - 2] || code > 0x10'FFFF || (code >= 0xD800 && code < 0xE000)) return {};
    return {code, bytes};
}

bool controls(std::uint32_t c) {
    return c < 0x20 || (c >= 0x7F && c < 0xA0) || c == 0x061C || c == 0x200E || c == 0x200F ||
           (c >= 0x2028 && c <= 0x202E) || (c >= 0x2066 && c <= 0x2069) || c == 0xFEFF;
}

} // namespace

std::string printable(std::string_view text, Lines lines) {
    std::string out;
    while (!text.empty()) {
        const auto [code, bytes] = first_of(text);
        const bool stays = code == '\t' || (code == '\n' && lines == Lines::many);
        if (bytes == 0 || (controls(code) && !stays))
            out += '?';
        else
            out += text.substr(0, bytes);
        text.remove_prefix(bytes == 0 ? 1 : bytes);
    }
    return out;
}

std::string json_lines(const dsp::Json& object, int indent) {
    const auto text = object.dump(indent, ' ', false, dsp::Json::error_handler_t::replace);
    std::string_view json = text;
    std::string out;
    while (!json.empty()) {
        const auto [code, bytes] = first_of(json);
        if (code >= 0x7F &&
            controls(code)) // below, JSON has its own escapes, and new lines between its parts
            out += fmt::format("\\u{:04x}", code);
        else
            out += json.substr(0, bytes);
        json.remove_prefix(bytes);
    }
    return out;
}

} // namespace kitfold::offline
