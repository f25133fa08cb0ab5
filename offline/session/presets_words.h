#pragma once
// Presets and the table of parameters, in words and as JSON.
#include "offline/session/presets.h"
#include "settings/settings_json.h"

namespace kitfold::offline {

/// The list: "kitfold_presets": 1; and a line for each.
dsp::Json presets_json(const std::filesystem::path& folder, const std::vector<Preset>& presets);
std::string presets_text(const std::vector<Preset>& presets);

/// One preset: what it sets, line by line, and as JSON to paste into a session.
std::string preset_text(const Preset& preset);

/// Every number of a session: "kitfold_parameters": 1; and a line for each.
dsp::Json parameters_json();
std::string parameters_text();

} // namespace kitfold::offline
