#pragma once
// What `new` has to say of the session it made.
#include "offline/session/new_session.h"
#include "settings/settings_json.h"

namespace kitfold::offline {

/// The object of `new --json`, "kitfold_new": 1.
dsp::Json new_session_json(const NewSession& made);

/// A line for each mic, then what to do next; `folder` as the person gave it.
std::string new_session_text(const NewSession& made, const std::string& folder);

} // namespace kitfold::offline
