#pragma once
// The demo recording: an invented take of a simulated kit (dsp/synth/simulator.h), with a session to fold it
// and the truth to check by.
//
// Files: one WAV per mic (24 bit, mono), session.json, truth.json. truth.json, version 1:
//     { "kitfold_truth": 1, "seal": as in seal.h, "session_xxh128": as it was written, "rate_hz": 48000,
//     "seconds": 30.0, "seed": 1, "tone": "open" | "deadened",
//       "tempo_bpm": 104.0, "speed_of_sound_m_s": 343.2,
//       "mics":  [ {"name", "role", "file", "position_m": [x, y, z], "axis": [x, y, z], "pattern",
//       "noise_dbfs"} ], "drums": [ {"drum", "position_m", "mic": its close mic or null, "ring_ms", "late_ms"
//       (drums with a head),
//                   "partials": [{"hz", "ring_ms", "open_ring_ms", "deadened_ring_ms", "delta_alpha_per_s",
//                                 "level_db"}]} ],
//       "hits":  [ {"time_s", "drum", "strength_db", "radius", "angle_rad", "open" (hi-hat)} ],
//       "paths": [ {"drum", "mic", "delay_ms", "level_db", "polarity": "same" | "opposite"} ],
//       "bleed": [ {"drum", "mic", "level_db"} ],
//       "image": [ {"drum", "level_difference_db", "time_difference_ms"} ] }
// `mic` is a mic's name. time_s is when the stick touches; a mic hears it delay_ms later. Axes, references
// and signs are those of simulator.h: Stroke, Direct, BleedTruth, RingTruth, Partial, ImageTruth.
#include "offline/util/errors.h"
#include "settings/settings_json.h"
#include "synth/simulator.h"
#include <filesystem>
#include <functional>
#include <optional>
#include <vector>

namespace kitfold::offline {

struct DemoRequest {
    std::filesystem::path folder; ///< made when it is not there
    dsp::SimulatorOptions kit;    ///< rate_hz a whole number
};

struct DemoSummary {
    std::vector<std::filesystem::path> files;    ///< as written, WAVs first
    std::optional<std::filesystem::path> backup; ///< of the session that was there and had been edited
    std::size_t hits = 0;
};

/// Writes the recording, whole files only, the WAVs first and truth.json last. Takes the place of a former
/// demo: what it left and is as it was written goes; a session that was edited since is kept as a backup.
/// Throws Error: bad_input for an option out of range, and when a file of the same name is there
/// that no demo wrote, or that was changed since: nothing is then written; io_failed.
/// @param progress called now and then with the share that is done, 0..1, on the calling thread
DemoSummary write_demo(const DemoRequest& request, const std::function<void(double)>& progress = {});

/// truth.json of a simulator, for its mics in the files `<role>.wav` and this session beside it.
std::string truth_json_text(const dsp::Simulator& simulator, const std::string& session_text);

/// What `demo` has to say: the object of --json, "kitfold_demo": 1, and the lines for a person.
dsp::Json demo_json(const DemoRequest& request, const DemoSummary& summary);
std::string demo_text(const DemoRequest& request, const DemoSummary& summary);

} // namespace kitfold::offline
