#pragma once
// The table of a bleed-aware key as it stands in a session, under "bleed", or in a plug-in's state:
//     {"bands_hz": [70, 140, 280, 560, 1120],
//      "mics": [{"mic": "Rack tom", "known": true, "level_db": 2.3, "weight_db": [0, 0, 0, "-inf", "-inf"],
//                "noise_db": [-96, …], "wash_db": [-20, …]}, …],
//      "paths": [{"from": "Snare top", "mic": "Rack tom", "gain_db": [-10.2, …], "response": [0.0021, …]},
//      …]}
// "response" (an impulse response of 48 samples at 6 kHz) may be left out.
// Not for the audio thread: everything allocates. All functions may run on any thread.
#include "settings/kit_key_table.h"
#include "settings/settings_json.h"
#include <span>
#include <string>

namespace kitfold::dsp {

/// @param names of the mics, in their order; no fewer than table.mics
Json to_json(const KitKeyTable& table, std::span<const std::string> names);

/// Throws SettingsError: a key that is not known or missing, a value out of range, bands that are not
/// kKeyBandHz, a name that is not in `names`.
KitKeyTable read_kit_key(const Json& json, std::string_view at, std::span<const std::string> names);

} // namespace kitfold::dsp
