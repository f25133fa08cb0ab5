#pragma once
#include "offline/check/check.h"
#include <string>

namespace kitfold::offline {

/// A check as one page to look at: HTML with inline SVG, no script, nothing loaded from anywhere, under 2 MB
/// for any session (32 mics, hours). Every name in it is escaped. Light, dark and print; colours keep apart
/// for all common kinds of colour vision and lines differ in dash as well.
std::string check_report(const CheckResult& result, const std::string& title);

} // namespace kitfold::offline
