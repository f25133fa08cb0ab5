#pragma once
// A first session for a folder of recordings: which mic is in which file, and settings to start from.
#include "offline/session/presets.h"
#include "offline/session/session.h"
#include <functional>
#include <string>
#include <vector>

namespace kitfold::offline {

struct NewSession {
    Session session;                    ///< not written yet
    std::string kit;                    ///< name of the kit template that fits best
    std::vector<std::string> mic_notes; ///< one per mic: what a person should know of the guess, or empty
    std::vector<std::string> notices;   ///< about the whole: files left out, rates that differ
    int rate_hz = 0;                    ///< of the first file
    double seconds = 0.0;               ///< of the longest file
};

/// Looks at every WAV, AIFF and FLAC file of the folder (not below it): a mono file is a mic; a stereo file
/// two, unless its channels are the same; a wider file a mic per channel. Roles are guessed from the names
/// (roles.h) and, where these tell none, by the sound (roles_by_sound.h), settings are those of the kit in
/// `presets` that fits the roles best. Gate thresholds are moved by the peak of each mic. A file that Kitfold
/// itself bounced, and that nobody has changed since, is left out and said.
/// @param given "FILE=ROLE[,ROLE]" in place of guesses: the file by its name, a role for each of its mics
/// @param other a session of the same set-up: a file that is named as one there, or as one there but for the
/// last number in it, is the same mic; and it sounds as there (like.h)
/// @param progress called with the share of the files that is read, 0..1
/// Throws Error, bad_input: no such folder, no audio in it, more than 32 mics, no kit in `presets`, a
/// role given to a file that is not there, or not one for each mic.
NewSession propose_session(const std::filesystem::path& folder, const std::vector<Preset>& presets,
                           const std::vector<std::string>& given = {}, const Session* other = nullptr,
                           const std::function<void(double)>& progress = {});

/// Where a new session goes: session.json in the folder, or another name there, so that several songs of one
/// recording are several sessions beside it. Throws Error, bad_input: another folder, or a name that is not
/// a session's.
std::filesystem::path new_session_path(const std::filesystem::path& folder, const std::string& output);

} // namespace kitfold::offline
