#pragma once
// Which mic is in which file, by what is heard in it, where its name doesn't tell.
#include "offline/session/session.h"
#include <functional>
#include <string>
#include <vector>

namespace kitfold::offline {

struct SoundGuess {
    dsp::Role role = dsp::Role::other;
    std::string note; ///< how sure it is; of `other`, what to do
};

/// Reads all mics of the session and guesses those whose role is `other`, beside the others that are known
/// (dsp/roles); one answer per mic. A file at another rate than most have stays `other`. Files that can't be
/// read together stay so, too: why is in each note.
/// @param strange mics whose names say something that is not understood: no guess of theirs is sure
/// @param progress share done, 0..1, on any thread, one at a time
std::vector<SoundGuess> roles_by_sound(const Session& session, const std::vector<bool>& strange,
                                       const std::function<void(double)>& progress);

} // namespace kitfold::offline
