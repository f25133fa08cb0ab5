#pragma once
// The sound of one session for another of the same set-up, so that takes can be cut together.
#include "offline/session/session.h"
#include "settings/settings_json.h"
#include <span>
#include <string>
#include <utility>
#include <vector>

namespace kitfold::offline {

/// What tells a mic from the others.
struct MicLabel {
    std::string name;
    dsp::Role role = dsp::Role::other;
};
std::vector<MicLabel> labels_of(const Session& session);

/// Which mics of two sessions are the same: those of one role and name; then, of a role that only one mic on
/// each side still has, those. A mic without a role goes by its name.
struct MatchedMics {
    std::vector<std::pair<std::size_t, std::size_t>> pairs; ///< index here, index there; rising here
    std::vector<std::string> notices;                       ///< one for each mic left over, on both sides
};
MatchedMics match_mics(std::span<const MicLabel> here, std::span<const MicLabel> there);

struct LikeChange {
    std::string mic;  ///< empty: of the whole session
    std::string what; ///< "level +0.0 to -3.2 dB, gate"
};

struct LikeResult {
    Session session;                 ///< not written yet
    std::vector<LikeChange> changes; ///< empty: it sounds as the other does already
    std::vector<std::string> notices;
};

/// Polarity, delay, level, pan, mute, filters, gate, damp and bleed reduction of each mic that both have, and
/// sum, bus, balance, output level and the bleed that gates know. What the other session leaves out is left
/// out. Its file is kept as `like`, so that check --apply sets no level in this one alone.
LikeResult like(const Session& session, const Session& other);

/// What like() changed, into a session's file as it stands.
void write_like(const LikeResult& result, dsp::Json& json);

std::string like_text(const LikeResult& result);
dsp::Json like_json(const LikeResult& result);

} // namespace kitfold::offline
