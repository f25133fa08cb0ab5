#pragma once
#include "offline/check/check.h"
#include "settings/settings_json.h"
#include <filesystem>
#include <functional>
#include <optional>

namespace kitfold::offline {

enum class Backup { keep, is_there }; ///< is_there: this run has kept one already

/// Changes a session's file as it stands now and nothing else in it. The file is replaced whole or not at
/// all; the old one is kept beside it, as by keep_backup(), unless one is there. Returns the backup (or the
/// session itself), or nothing when `change` changed nothing and no file was written. Throws Error: bad_input
/// when the file is not the session that was listened to any more, io_failed when something can't be written.
std::optional<std::filesystem::path> change_file(const Session& session,
                                                 const std::function<void(dsp::Json&)>& change,
                                                 Backup backup = Backup::keep);

/// Writes what the check found into the session's file: polarity and delay of its fixes, the bleed between
/// the mics, key and threshold of the gates planned so. Other keys, their order and what a person added stay.
/// As change_file().
std::optional<std::filesystem::path> apply_fixes(const Session& session, const CheckResult& result,
                                                 Backup backup = Backup::keep);

} // namespace kitfold::offline
