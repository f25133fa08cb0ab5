#pragma once
// `kitfold live`: the session between the interface and the recorder.
#include "offline/live/engine.h"
#include "offline/session/session.h"
#include "offline/util/errors.h"
#include <filesystem>
#include <functional>
#include <optional>
#include <string>

namespace kitfold::offline {

struct LiveRequest {
    Session session;
    Monitor monitor = Monitor::wet;
    bool connect = false;
    std::optional<std::filesystem::path> record; ///< folder for the takes
    int bits = 32;                               ///< of what is recorded: 24, or 32 for float
    bool check = false;                          ///< each take when it is whole, and tell the verdict
    bool learn = false; ///< and write its fixes and gates into the session; levels stay; needs `record`
    bool json = false;  ///< a line a second for machines in place of the screen
};

/// Plays until somebody asks to stop or the server is gone. Throws Error: bad_input: the session's recordings
/// have another rate than the server, a port can't be had; io_failed: no server, a server that stopped, a
/// folder that can't be written.
void live(const LiveRequest& request);

} // namespace kitfold::offline
