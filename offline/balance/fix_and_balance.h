#pragma once
// What `check --apply` does once it knows what is to be fixed.
#include "offline/check/check.h"
#include "offline/session/session.h"
#include <string>

namespace kitfold::offline {

/// Writes the fixes into the session's file, then the balance of what they leave; the old file is kept beside
/// it, once. Nothing is written where two mics are under each other's name. Returns what was done, for a
/// person. Throws Error: bad_input when the file is not the session that was checked any more, io_failed.
std::string fix_and_balance(const Session& session, const CheckResult& result);

} // namespace kitfold::offline
