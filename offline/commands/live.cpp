#include "offline/live/live.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"

namespace kitfold::offline {

Exit live_command(const LiveOptions& options) {
    if (options.record.empty() && (options.check || options.learn))
        throw bad_input(std::string(options.learn ? "--learn" : "--check") +
                        " needs a recording to listen to; add --record FOLDER");
    LiveRequest request{.session = load_session(options.session), .record = {}};
    request.monitor = options.monitor == "dry" ? Monitor::dry : Monitor::wet;
    request.connect = options.connect, request.bits = options.bits;
    if (!options.record.empty()) request.record = options.record;
    request.check = options.check, request.learn = options.learn, request.json = options.json;
    live(request);
    finish_printing(Answer::about_files);
    return Exit::done;
}

} // namespace kitfold::offline
