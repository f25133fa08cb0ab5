#include "offline/session/like.h"
#include "offline/util/file_name.h"
#include <algorithm>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

using dsp::Json;
using dsp::Role;

bool same_text(const std::string& a, const std::string& b) { return folded(a) == folded(b); }

class Matching {
public:
    Matching(std::span<const MicLabel> here, std::span<const MicLabel> there)
        : here_(here), there_(there), of_here_(here.size()), taken_(there.size()) {}

    void by_role_and_name() {
        for (std::size_t m = 0; m < here_.size(); ++m)
            for (std::size_t o = 0; o < there_.size() && !of_here_[m]; ++o)
                if (!taken_[o] && here_[m].role == there_[o].role && same_text(here_[m].name, there_[o].name))
                    join(m, o);
    }
    void by_role() {
        for (std::size_t m = 0; m < here_.size(); ++m)
            for (std::size_t o = 0; o < there_.size() && !of_here_[m]; ++o)
                if (here_[m].role != Role::other && !taken_[o] && here_[m].role == there_[o].role &&
                    left(here_[m].role) == std::pair<std::size_t, std::size_t>(1, 1))
                    join(m, o);
    }
    MatchedMics finish() {
        MatchedMics out;
        for (std::size_t m = 0; m < here_.size(); ++m)
            if (of_here_[m])
                out.pairs.emplace_back(m, *of_here_[m]);
            else
                out.notices.push_back(why_alone(m));
        for (std::size_t o = 0; o < there_.size(); ++o)
            if (!taken_[o])
                out.notices.push_back(fmt::format("{} ({}) is in the other session only", there_[o].name,
                                                  token(there_[o].role)));
        return out;
    }

private:
    void join(std::size_t m, std::size_t o) { of_here_[m] = o, taken_[o] = true; }

    /// How many mics of a role are not matched, on each side.
    std::pair<std::size_t, std::size_t> left(Role role) const {
        std::pair<std::size_t, std::size_t> count;
        for (std::size_t m = 0; m < here_.size(); ++m) count.first += !of_here_[m] && here_[m].role == role;
        for (std::size_t o = 0; o < there_.size(); ++o) count.second += !taken_[o] && there_[o].role == role;
        return count;
    }

    std::string why_alone(std::size_t m) const {
        const auto namesake = std::find_if(there_.begin(), there_.end(), [&](const MicLabel& other) {
            return same_text(other.name, here_[m].name) && other.role != here_[m].role;
        });
        const auto role = token(here_[m].role);
        if (namesake != there_.end())
            return fmt::format("{} is {} here and {} in the other session: left as it is", here_[m].name,
                               role, token(namesake->role));
        return fmt::format("{} ({}) is not in the other session: left as it is", here_[m].name, role);
    }

    std::span<const MicLabel> here_, there_;
    std::vector<std::optional<std::size_t>> of_here_;
    std::vector<bool> taken_;
};

/// Everything that is heard of a mic.
void take_over(Mic& mic, const Mic& from) {
    const auto role = mic.mix.role;
    mic.mix = from.mix, mic.mix.role = role;
    mic.bounce = from.bounce;
    mic.balanced_db = from.balanced_db, mic.balanced_pan = from.balanced_pan;
    mic.filters = from.filters, mic.gate = from.gate, mic.damp = from.damp;
}

/// "level +0.0 to -3.2 dB, polarity inverted, gate"
std::string difference(const Mic& was, const Mic& is) {
    std::string out;
    const auto add = [&](const std::string& text) { out += (out.empty() ? "" : ", ") + text; };
    for (const auto& field : dsp::fields<dsp::MicSettings>()) {
        if (field.parameter.key == "role" || field.of(was.mix) == field.of(is.mix)) continue;
        add(fmt::format("{} {} to {}", field.parameter.key, text(field.parameter, field.of(was.mix)),
                        text(field.parameter, field.of(is.mix))));
    }
    if (was.bounce != is.bounce) add("bleed reduction");
    if (was.filters != is.filters) add("filters");
    if (was.gate != is.gate) add("gate");
    if (was.damp != is.damp) add("damp");
    return out;
}

std::string difference(const Session& was, const Session& is) {
    std::string out;
    const auto add = [&](bool differs, const std::string& text) {
        if (differs) out += (out.empty() ? "" : ", ") + text;
    };
    add(was.sum != is.sum, "sum");
    add(was.bus != is.bus, "bus");
    add(was.output.level_db != is.output.level_db,
        fmt::format("output level {:+.1f} to {:+.1f} dB", was.output.level_db, is.output.level_db));
    add(was.bleed != is.bleed, "what gates know of the bleed");
    return out;
}

/// The other session's table with the mics in this one's order; mics that it doesn't know stay unknown.
dsp::KitKeyTable reordered(const dsp::KitKeyTable& from, const MatchedMics& matched, std::size_t mics) {
    dsp::KitKeyTable out;
    if (from.mics.empty()) return out;
    std::vector<std::optional<std::size_t>> here(from.mics.size());
    out.mics.resize(mics);
    for (const auto& [m, o] : matched.pairs) out.mics[m] = from.mics[o], here[o] = m;
    for (auto bleed : from.bleed) {
        if (!here[bleed.source] || !here[bleed.mic]) continue;
        bleed.source = *here[bleed.source], bleed.mic = *here[bleed.mic];
        out.bleed.push_back(bleed);
    }
    return out;
}

} // namespace

std::vector<MicLabel> labels_of(const Session& session) {
    std::vector<MicLabel> labels;
    for (const auto& mic : session.mics) labels.push_back({mic.name, mic.role});
    return labels;
}

MatchedMics match_mics(std::span<const MicLabel> here, std::span<const MicLabel> there) {
    Matching matching(here, there);
    matching.by_role_and_name();
    matching.by_role();
    return matching.finish();
}

LikeResult like(const Session& session, const Session& other) {
    const auto matched = match_mics(labels_of(session), labels_of(other));
    LikeResult out{session, {}, matched.notices};
    for (const auto& [m, o] : matched.pairs) {
        auto& mic = out.session.mics[m];
        take_over(mic, other.mics[o]);
        if (const auto what = difference(session.mics[m], mic); !what.empty())
            out.changes.push_back({mic.name, what});
    }
    out.session.sum = other.sum, out.session.bus = other.bus, out.session.balance = other.balance;
    out.session.output.level_db = other.output.level_db;
    out.session.balanced_output_db = other.balanced_output_db;
    out.session.balanced_threshold_db = other.balanced_threshold_db;
    out.session.bleed = reordered(other.bleed, matched, session.mics.size());
    std::error_code ignored;
    out.session.like = std::filesystem::proximate(other.path, session.path.parent_path(), ignored).string();
    if (const auto what = difference(session, out.session); !what.empty()) out.changes.push_back({"", what});
    return out;
}

void write_like(const LikeResult& result, Json& json) {
    const auto written = dsp::parse_json(to_json_text(result.session));
    for (std::size_t m = 0; m < result.session.mics.size(); ++m) {
        Json mic;
        for (const char* key : {"name", "role", "file", "channel"})
            if (json["mics"][m].contains(key)) mic[key] = json["mics"][m][key];
        for (const auto& [key, value] : written["mics"][m].items())
            if (!mic.contains(key) && key != "channel") mic[key] = value;
        json["mics"][m] = mic;
    }
    for (const char* key : {"sum", "bus", "balance", "bleed", "like"})
        if (written.contains(key))
            json[key] = written[key];
        else
            json.erase(key);
    auto& output = json["output"];
    for (const char* key : {"level_db", "balanced_db", "balanced_threshold_db"})
        if (written["output"].contains(key))
            output[key] = written["output"][key];
        else if (output.is_object())
            output.erase(key);
}

std::string like_text(const LikeResult& result) {
    std::string out = "As in " + result.session.like + ":\n";
    for (const auto& change : result.changes)
        out += fmt::format("  {}: {}\n", change.mic.empty() ? "Whole" : change.mic, change.what);
    if (result.changes.empty()) out += "  nothing is different\n";
    for (const auto& notice : result.notices) out += "notice: " + notice + "\n";
    return out;
}

Json like_json(const LikeResult& result) {
    Json changes = Json::array();
    for (const auto& change : result.changes)
        changes.push_back(
            {{"mic", change.mic.empty() ? Json(nullptr) : Json(change.mic)}, {"what", change.what}});
    return {{"kitfold_like", 1},
            {"like", result.session.like},
            {"changes", changes},
            {"notices", result.notices}};
}

} // namespace kitfold::offline
