#include "offline/session/presets.h"
#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/session/presets_words.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit list_presets_command(const PresetsOptions& options) {
    const auto folder = presets_folder();
    const auto presets = load_presets(folder);
    if (options.json)
        print_json(presets_json(folder, presets));
    else
        print(presets_text(presets));
    return Exit::done;
}

Exit show_preset_command(const PresetsOptions& options) {
    const auto presets = load_presets(presets_folder());
    const auto& preset = find_preset(presets, options.name);
    if (options.json)
        print_json(to_json(preset));
    else
        print(preset_text(preset));
    return Exit::done;
}

Exit list_parameters_command(const PresetsOptions& options) {
    if (options.json)
        print_json(parameters_json());
    else
        print(parameters_text());
    return Exit::done;
}

} // namespace kitfold::offline
