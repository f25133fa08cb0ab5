#pragma once
// A check as one page to look at.
#include "offline/check/check.h"
#include "offline/check/fix_sounds.h"
#include <string>
#include <vector>

namespace kitfold::offline {

/// One setting that --apply changed.
struct Change {
    std::string where, what, before, after; ///< "Kick in", "delay", "0.00 ms", "1.99 ms"
};

/// What --apply did, for the page that is written after it.
struct Written {
    std::string line; ///< "Written into …; the old file is …"; empty: nothing was applied
    std::vector<Change> changes;
};

/// What a page may have beside the check itself.
struct PageParts {
    Written written;
    std::vector<FixSound> sounds;
    std::string comparison; ///< with another take: a section of HTML, after what there is to do
};

/// HTML with inline SVG, nothing loaded from anywhere, under 4 MB for any session (32 mics, hours); a script
/// only where there are sounds to play. Verdict and what to do first, then every figure. Every name in it is
/// escaped. Light, dark and print; colours keep apart for all common kinds of colour vision and lines differ
/// in dash as well.
std::string check_report(const CheckResult& result, const std::string& title, const PageParts& parts = {});

} // namespace kitfold::offline
