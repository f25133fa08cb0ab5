#pragma once
// A session: which file each mic is in, and every setting. See README, "The session file".
#include "offline/session/take_range.h"
#include "settings/kit_key_table.h"
#include "settings/settings.h"
#include "settings/settings_json.h"
#include <filesystem>
#include <optional>
#include <string>
#include <vector>

namespace kitfold::offline {

struct Mic {
    std::string name;
    dsp::Role role = dsp::Role::other;
    std::filesystem::path file;  ///< as written in the session: relative to it, or absolute
    int channel = 1;             ///< 1-based channel of the file
    dsp::MicSettings mix;        ///< level, pan, polarity, delay, mute; its role is kept equal to `role`
    dsp::OfflineSettings bounce; ///< what plug-ins do not have
    /// The level and the pan that a balance wrote; others in `mix` are a person's.
    std::optional<double> balanced_db, balanced_pan;
    std::optional<dsp::KickSettings> filters; ///< a block that is left out is bypassed exactly
    std::optional<dsp::GateSettings> gate;
    std::optional<dsp::DampSettings> damp;
};

struct Session {
    std::filesystem::path path; ///< the session.json itself
    TakeRange range;            ///< what it is about of the recording, "from" and "to"
    std::string title;
    std::string
        like; ///< the session whose sound this one took over; empty: none. Its levels stay as they are
    dsp::RoomSettings room;
    std::vector<Mic> mics; ///< 1..32
    dsp::SumSettings sum;
    std::optional<dsp::BusSettings> bus;
    std::optional<dsp::BalanceSettings> balance; ///< what the levels are to come to
    dsp::OutputSettings output;
    /// As a mic's balanced_db: of the output level, and of the threshold of the bus.
    std::optional<double> balanced_output_db, balanced_threshold_db;
    std::vector<std::string> notices; ///< of what was read under an earlier name
    dsp::KitKeyTable bleed;           ///< what gates with key "kit" know of the other mics; empty: nothing
};

/// NAME.json, but no backup of a session and no recall sheet.
bool is_session_name(const std::filesystem::path& file);

/// Reads `path`, a session file or the folder that holds a session.json; a folder with others only is refused
/// with their names. Throws Error: bad_input for what is wrong in it (the line names file, field and what
/// would be right), io_failed when it can't be read. Audio files are not opened.
Session load_session(const std::filesystem::path& path);

/// The session that this JSON is, without a path. Throws dsp::SettingsError as load_session() throws Error.
Session read_session(const dsp::Json& json);

/// The session as pretty JSON that load_session reads back to the same session. Throws bad_input for a name
/// that is not UTF-8.
std::string to_json_text(const Session& session);

/// Writes it beside its final name and renames it when whole. Throws as to_json_text() and AtomicFile.
void save_session(const Session& session, const std::filesystem::path& path);

/// Keeps the text of a session that is going to be replaced, as NAME.backup.json beside it, or
/// NAME.backup-2.json and so on: the first name that is free, or that holds this very text. Returns it.
/// Throws io_failed.
std::filesystem::path keep_backup(const std::filesystem::path& session, const std::string& text);

/// Where a mic's audio is, from the folder of the session.
std::filesystem::path audio_path(const Session& session, const Mic& mic);

} // namespace kitfold::offline
