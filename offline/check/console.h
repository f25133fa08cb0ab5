#pragma once
// A check on a terminal.
#include "offline/check/check.h"
#include "offline/util/ink.h"
#include <string>

namespace kitfold::offline {

enum class Telling {
    verdict, ///< its one line
    summary, ///< the verdict, at most five things to do, a line for each mic
    details, ///< the verdict, everything that was found, all tables
};

/// At most 100 columns wide.
/// @param applied --apply has written what it can
std::string check_text(const CheckResult& result, Telling telling, bool applied = false);

/// That text with its verdict and the first word of each line dressed for a terminal.
std::string in_colour(const std::string& text, const Ink& ink);

} // namespace kitfold::offline
