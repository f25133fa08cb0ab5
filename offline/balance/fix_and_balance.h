#pragma once
// What `check --apply` does once it knows what is to be fixed.
#include "offline/check/check.h"
#include "offline/check/page.h"
#include "offline/session/session.h"
#include <string>

namespace kitfold::offline {

/// What was done, for a person.
struct Applied {
    std::string balance; ///< the tables of the balance, or why there is none
    std::string landing; ///< the balance in one line
    Written written;     ///< where, and every setting that changed
};

/// Writes the fixes into the session's file, then the balance of what they leave; the old file is kept beside
/// it, once. What `result` says of what each mic brings becomes that at the levels written. Nothing is
/// written where two mics are under each other's name. Throws Error: bad_input when the file is not the
/// session that was checked any more, io_failed.
Applied fix_and_balance(const Session& session, CheckResult& result);

} // namespace kitfold::offline
