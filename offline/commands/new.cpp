#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/new_session.h"
#include "offline/session/new_session_words.h"
#include "offline/session/outputs.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit new_command(const NewOptions& options) {
    const auto file = std::filesystem::path(options.folder) / "session.json";
    Outputs().creates(file);
    const auto made = [&] {
        Progress progress("new");
        return propose_session(options.folder, load_presets(presets_folder()), options.roles,
                               [&](double share) { progress.show(share); });
    }();
    save_session(made.session, file);
    if (options.json)
        print_json(new_session_json(made), Answer::about_files);
    else
        print(new_session_text(made, options.folder), Answer::about_files);
    return Exit::done;
}

} // namespace kitfold::offline
