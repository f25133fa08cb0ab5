#pragma once
// Texts on a terminal: a file's name may hold anything, and must not speak to the terminal or turn a line
// round.
#include "settings/settings_json.h"
#include <string>
#include <string_view>

namespace kitfold::offline {

enum class Lines { one, many };

/// With a question mark for each byte that is not UTF-8 and each character that controls: C0 but for new
/// lines (where there may be many) and tabs, C1, and those of Unicode that set the direction of writing (UAX
/// 9) or begin a line.
std::string printable(std::string_view text, Lines lines);

/// JSON as text, with such characters as \u escapes; what is not UTF-8, as a file's name may be, must not
/// cost the reader the rest of the object and becomes U+FFFD. @param indent -1: all on one line
std::string json_lines(const dsp::Json& json, int indent = -1);

} // namespace kitfold::offline
