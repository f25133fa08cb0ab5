#pragma once
#include "offline/check/check.h"
#include <filesystem>
#include <optional>

namespace kitfold::offline {

/// Writes what the check found into the session's file: polarity and delay of its fixes, the bleed between
/// the mics, key and threshold of the gates planned so. Nothing else is touched: other keys, their order and
/// what a person added stay. The file is replaced whole or not at all; the old one is kept beside it, as by
/// keep_backup(). Returns the backup, or nothing
/// when the session says all that already and no file was written. Throws Error: bad_input when the file is
/// not the session that was checked any more, io_failed when something can't be written.
std::optional<std::filesystem::path> apply_fixes(const Session& session, const CheckResult& result);

} // namespace kitfold::offline
