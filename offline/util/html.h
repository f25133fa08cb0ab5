#pragma once
// Words in a page.
#include <string>
#include <string_view>

namespace kitfold::offline {

/// With what HTML takes for its own (& < > ") written so that a page shows it.
std::string escaped(std::string_view text);

} // namespace kitfold::offline
