#include "offline/check/apply_fixes.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include "offline/util/text_file.h"
#include "settings/kit_key_json.h"
#include "settings/settings_json.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;
using dsp::Json;

Error changed(const Session& session) {
    return bad_input(session.path.string() + ": was changed while it was checked; run kitfold check again");
}

/// The file as it stands now. @return one JSON object with the mics of the session
Json parse_again(const Session& session, const std::string& text) {
    Json json;
    try {
        json = dsp::parse_json(text);
    } catch (const dsp::SettingsError&) {
        throw changed(session);
    }
    if (!json.is_object() || !json.contains("mics") || json["mics"].size() != session.mics.size())
        throw changed(session);
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        const auto& mic = json["mics"][m];
        if (!mic.is_object() || !mic.contains("name") || mic["name"] != session.mics[m].name ||
            mic.contains("gate") != session.mics[m].gate.has_value())
            throw changed(session);
    }
    return json;
}

void write_gates(const Session& session, const CheckResult& result, Json& json) {
    auto learned = session;
    apply_kit_gates(learned, result.kit_key);
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        if (learned.mics[m].gate == session.mics[m].gate) continue;
        auto& gate = json["mics"][m]["gate"];
        gate["threshold_db"] = learned.mics[m].gate->threshold_db;
        gate["key"] = "kit";
    }
    if (learned.bleed == session.bleed) return;
    std::vector<std::string> names;
    for (const auto& mic : session.mics) names.push_back(mic.name);
    json["bleed"] = dsp::to_json(learned.bleed, names);
}

} // namespace

std::optional<fs::path> change_file(const Session& session, const std::function<void(Json&)>& change,
                                    Backup backup) {
    const auto old_text = read_text_file(session.path, dsp::kJsonBytes);
    const auto before = parse_again(session, old_text);
    auto json = before;
    change(json);
    if (json == before) return std::nullopt;
    try {
        (void)read_session(json);
    } catch (
        const dsp::SettingsError& error) { // a session that could not be read again would be worse than none
        throw bad_input(session.path.string() + ": nothing was written, since " + error.what());
    }
    auto kept = backup == Backup::keep ? keep_backup(session.path, old_text) : session.path;
    write_whole_file(session.path, dsp::pretty(json));
    return kept;
}

std::optional<fs::path> apply_fixes(const Session& session, const CheckResult& result, Backup backup) {
    return change_file(
        session,
        [&](Json& json) {
            for (const auto& fix : result.fixes) {
                auto& mic = json["mics"][fix.mic];
                if (fix.flips) mic["polarity"] = fix.inverted ? "inverted" : "normal";
                if (fix.moves) mic["delay_ms"] = fix.delay_ms;
            }
            write_gates(session, result, json);
        },
        backup);
}

} // namespace kitfold::offline
