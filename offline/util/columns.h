#pragma once
// Text in columns, for a terminal.
#include <cstddef>
#include <string>

namespace kitfold::offline {

inline constexpr std::size_t kColumns = 100; ///< that a line has

/// A text cut or filled up to a width, counted in characters of UTF-8.
std::string cell(const std::string& text, std::size_t width);

/// Words broken at spaces to fit a line, every line after the first indented; the first begins there as well.
std::string wrapped(const std::string& text, std::size_t indent);

} // namespace kitfold::offline
