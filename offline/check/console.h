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

/// At most 100 columns wide; the same words with and without colour.
/// @param applied --apply has written what it can
std::string check_text(const CheckResult& result, Telling telling, const Ink& ink = {}, bool applied = false);

} // namespace kitfold::offline
