#pragma once
#include "offline/check.h"
#include <filesystem>

namespace kitfold::offline {

/// Writes polarity and delay of the fixes into the session's file and nothing else: other keys, their order
/// and what a person added stay. The file is replaced whole or not at all; the old one is kept beside it, as
/// NAME.backup.json or, if there is one already, NAME.backup-2.json and so on. Returns the backup. Throws
/// Error: bad_input when the file is not the session that was checked any more, io_failed when something
/// can't be written.
std::filesystem::path apply_fixes(const Session& session, const std::vector<MicFix>& fixes);

} // namespace kitfold::offline
