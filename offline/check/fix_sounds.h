#pragma once
// What a fix sounds like, for the report.
#include "offline/check/check.h"
#include <cstdint>
#include <vector>

namespace kitfold::offline {

/// The two mics of a fix alone, in mono, without gates and damp, as they are set and after the fixes: the
/// same stretch of the take at the same loudness, neither louder than it was.
struct FixSound {
    std::size_t pair = 0; ///< index in pairs
    std::vector<std::int16_t> before, after;
};

/// A few seconds of each fix where its drum is struck most, as much as keeps a report under 4 MB; fixes whose
/// strokes are too soft to compare are left out. Reads the files again. Throws Error as TakeFiles does.
std::vector<FixSound> fix_sounds(const Session& session, const CheckResult& result);

} // namespace kitfold::offline
