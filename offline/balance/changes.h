#pragma once
// What --apply changed in a session.
#include "offline/check/page.h"
#include "offline/session/session.h"

namespace kitfold::offline {

/// Every number of the mics' mix and gates, the sum, the bus and the output that differs between two states
/// of one session, in its words and units; mics in their order.
std::vector<Change> changes_between(const Session& before, const Session& after);

} // namespace kitfold::offline
