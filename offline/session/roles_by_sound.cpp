#include "offline/session/roles_by_sound.h"
#include "offline/session/take_files.h"
#include "offline/util/errors.h"
#include "roles/heard_roles.h"
#include <algorithm>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

using dsp::HeardRole;
using dsp::Role;

std::string how_to_say(const Session& session, const Mic& mic) {
    std::string roles;
    for (const auto& m : session.mics)
        if (m.file == mic.file) roles += roles.empty() ? "ROLE" : ",ROLE";
    return fmt::format("say it: --role \"{}={}\"", mic.file.filename().string(), roles);
}

std::string note(const HeardRole& heard, const std::string& how_to_say, bool alone_at_kick, bool at_rate) {
    if (!at_rate) return "at another rate than the others, so not listened to; " + how_to_say;
    if (heard.silent)
        return "the name does not say which mic it is, and nothing is struck in it; " + how_to_say;
    if (heard.role == Role::other) return "neither name nor sound says which mic it is; " + how_to_say;
    std::string out = heard.sure ? "guess by sound, fairly sure" : "guess by sound, not sure: listen to it";
    if (heard.side == HeardRole::Side::by_hearing) out += "; left is the side of the hi-hat";
    if (heard.side == HeardRole::Side::open) out += "; which of the two is left, its sound does not say";
    if (alone_at_kick) out += "; a single kick mic counts as inside";
    return out;
}

} // namespace

std::vector<SoundGuess> roles_by_sound(const Session& session, const std::vector<bool>& strange,
                                       const std::function<void(double)>& progress) {
    std::vector<SoundGuess> out;
    for (const auto& mic : session.mics) out.push_back({mic.role, {}});
    try {
        TakeFiles files(session);
        std::vector<dsp::ScanFeatures> scans;
        for (auto& reading : files.read_all(progress)) scans.push_back(std::move(reading.scan));
        auto heard = dsp::hear_roles(files.take(), scans);
        files.throw_if_failed();
        const bool two_at_kick = std::any_of(heard.begin(), heard.end(),
                                             [](const HeardRole& h) { return h.role == Role::kick_out; });
        for (std::size_t m = 0; m < out.size(); ++m) {
            heard[m].sure = heard[m].sure && !strange[m];
            const bool alone_at_kick = heard[m].role == Role::kick_in && !two_at_kick;
            out[m] = {heard[m].role,
                      note(heard[m], how_to_say(session, session.mics[m]), alone_at_kick, files.at_rate(m))};
        }
    } catch (const Error& error) { // a session can be made without
        for (std::size_t m = 0; m < out.size(); ++m)
            out[m].note =
                fmt::format("the name does not say which mic it is, and the files can't be listened to "
                            "together; {}",
                            how_to_say(session, session.mics[m]));
    }
    return out;
}

} // namespace kitfold::offline
