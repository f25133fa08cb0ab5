#pragma once
// Which mic is in which file, from the names that engineers give their files.
#include "settings/settings.h"
#include <string>
#include <vector>

namespace kitfold::offline {

/// A file as far as guessing needs it.
struct NamedFile {
    std::string stem;    ///< its name without folder and extension
    bool stereo = false; ///< two channels that differ
};

struct RoleGuess {
    std::vector<dsp::Role> roles; ///< one; two for a stereo file
    bool of_the_kit = true;       ///< false: a click, a guitar, a mix … that has no place in a drum submix
    std::string note;             ///< why, when a person should know; else empty
    bool open = false;            ///< the name tells no role: ask the sound (roles_by_sound.h)
    bool strange = false;         ///< but it holds a word of its own, which may mean something else
};

/// Guesses for all the files of a take together: "Tom 2" means another drum beside "Tom 1" alone than beside
/// "Tom 3". No role but `other` is given twice. Left is where the hi-hat stands (right-handed, as the drummer
/// sits).
std::vector<RoleGuess> guess_roles(const std::vector<NamedFile>& files);

/// The role that a person typed after an option. Throws Error, bad_input, with the nearest one.
dsp::Role role_named(const std::string& option, const std::string& word);

/// "Kick in": a role as a mic's name.
std::string mic_name(dsp::Role role);

} // namespace kitfold::offline
