#pragma once
// Factory presets: settings of one block that a drum engineer would start from, and templates of whole kits.
// A preset is a JSON file <block>/<name>.json in the presets folder:
//     {"kitfold_preset": 1, "title": "Kick out: thump", "about": "…", "filters": {…}}
// A kit is kit/<name>.json; a mic has a session's keys but no file, and its blocks are objects or names of
// presets:
//     {"kitfold_template": 1, "title": "…", "about": "…",
//      "mics": [{"role": "kick_out", "level_db": -3, "filters": "kick_out_thump"}], "bus": "bus_gentle"}
#include "offline/session/session.h"
#include "settings/settings_json.h"
#include <filesystem>
#include <string>
#include <variant>
#include <vector>

namespace kitfold::offline {

/// The settings of one block, or a kit: a session whose mics have a role and settings but no name and no
/// file.
using PresetContent = std::variant<dsp::KickSettings, dsp::GateSettings, dsp::DampSettings, dsp::BusSettings,
                                   dsp::SumSettings, dsp::BalanceSettings, Session>;

struct Preset {
    std::string name;  ///< the file's name without .json; one of a kind over all blocks
    std::string kind;  ///< the folder: "filters" (of the folder kick, as it was called, too), "gate", "damp",
                       ///< "bus", "sum", "balance" or "kit"
    std::string title; ///< one line
    std::string about; ///< what it is for
    PresetContent content;
};

/// Where the presets are: $KITFOLD_PRESETS, else beside the program (../share/kitfold/presets; a build tree
/// has it too). Throws Error, bad_input, when there is no such folder.
std::filesystem::path presets_folder();

/// Every preset of the folder, by kind and name. Throws Error, bad_input, for the first file that is not
/// right: the line names it, its key and what would be right.
std::vector<Preset> load_presets(const std::filesystem::path& folder);

/// The preset in one file, wherever it is. @param kind not "kit": a kit names others. Throws Error as
/// load_presets does, io_failed when it can't be read.
Preset load_preset(const std::filesystem::path& file, std::string_view kind);

/// The one with that name. Throws bad_input that tells the names there are.
const Preset& find_preset(const std::vector<Preset>& presets, std::string_view name);

/// The same, and throws bad_input when it is a preset of another kind.
const Preset& find_preset(const std::vector<Preset>& presets, std::string_view name, std::string_view kind);

/// What the file says; in a kit the blocks are written out, not named.
dsp::Json to_json(const Preset& preset);

} // namespace kitfold::offline
