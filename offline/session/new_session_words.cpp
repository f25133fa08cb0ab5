#include "offline/session/new_session_words.h"
#include "offline/util/columns.h"
#include <algorithm>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {

dsp::Json new_session_json(const NewSession& made) {
    dsp::Json out = {{"kitfold_new", 1},
                     {"session", made.session.path.string()},
                     {"kit", made.kit},
                     {"mics", dsp::Json::array()},
                     {"notices", made.notices}};
    for (std::size_t i = 0; i < made.session.mics.size(); ++i) {
        const auto& mic = made.session.mics[i];
        out["mics"].push_back({{"name", mic.name},
                               {"role", std::string(dsp::token(mic.role))},
                               {"file", mic.file.string()},
                               {"channel", mic.channel},
                               {"mute", mic.mix.mute},
                               {"note", made.mic_notes[i]}});
    }
    return out;
}

std::string new_session_text(const NewSession& made, const std::string& folder) {
    std::size_t width = 0;
    for (const auto& mic : made.session.mics) width = std::max(width, mic.file.string().size());
    std::string out;
    if (std::all_of(made.session.mics.begin(), made.session.mics.end(),
                    [](const Mic& mic) { return mic.role == dsp::Role::other; }))
        out = "No file name tells which mic it is, nor does the sound, and check and gates need to know. Say "
              "it: kitfold new " +
              folder + " --role \"" + made.session.mics[0].file.string() +
              "=kick_in\" …, or in session.json.\n";
    out += fmt::format("{} mics, {} Hz, {}:{:02}\n", made.session.mics.size(), made.rate_hz,
                       static_cast<int>(made.seconds) / 60, static_cast<int>(made.seconds) % 60);
    for (std::size_t i = 0; i < made.session.mics.size(); ++i) {
        const auto& mic = made.session.mics[i];
        const auto& note = made.mic_notes[i];
        const auto line = fmt::format("  {:<{}}  channel {}  {:<14}", mic.file.string(), width, mic.channel,
                                      dsp::token(mic.role));
        out += note.empty() ? line.substr(0, line.find_last_not_of(' ') + 1) + "\n"
                            : line + "  (" + note + ")\n";
    }
    for (const auto& notice : made.notices) out += "Note: " + wrapped(notice, 6) + "\n";
    if (!made.session.like.empty())
        return out +
               fmt::format("Settings are those of {}, levels included: check --apply leaves them.\n"
                           "Wrote {}. Correct a role there if a guess is wrong, then: kitfold check {}\n",
                           made.session.like, made.session.path.string(), folder);
    return out + fmt::format("Settings start from {} (kitfold presets show {}): left and right as the "
                             "drummer\nsits, gate thresholds by each mic's peak.\n"
                             "Wrote {}. Correct a role there if a guess is wrong, then: kitfold check {} "
                             "--apply\n",
                             made.kit, made.kit, made.session.path.string(), folder);
}

} // namespace kitfold::offline
