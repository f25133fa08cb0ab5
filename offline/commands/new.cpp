#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/new_session.h"
#include "offline/session/new_session_words.h"
#include "offline/session/outputs.h"
#include "offline/session/take_files.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit new_command(const NewOptions& options) {
    const auto file = new_session_path(options.folder, options.output);
    const auto range = read_range(options.range.from, options.range.to);
    Outputs().creates(file);
    const auto other = options.like.empty() ? std::nullopt : std::optional(load_session(options.like));
    auto made = [&] {
        Progress progress("new");
        return propose_session(options.folder, load_presets(presets_folder()), options.roles,
                               other ? &*other : nullptr, [&](double share) { progress.show(share); });
    }();
    made.session.path = file, made.session.range = range;
    if (!range.whole()) TakeFiles{made.session}; // refuses what is beyond the end
    save_session(made.session, file);
    if (options.json)
        print_json(new_session_json(made), Answer::about_files);
    else
        print(new_session_text(made, options.output.empty() ? options.folder : options.output),
              Answer::about_files);
    return Exit::done;
}

} // namespace kitfold::offline
