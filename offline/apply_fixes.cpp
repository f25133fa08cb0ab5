#include "offline/apply_fixes.h"
#include "offline/atomic_file.h"
#include "offline/errors.h"
#include "offline/text_file.h"
#include "settings/settings_json.h"
#include <cmath>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;

fs::path free_backup_name(const fs::path& file) {
    const auto stem = file.parent_path() / file.stem();
    auto name = fs::path(stem.string() + ".backup.json");
    for (int n = 2; fs::exists(name); ++n) name = stem.string() + ".backup-" + std::to_string(n) + ".json";
    return name;
}

} // namespace

fs::path apply_fixes(const Session& session, const std::vector<MicFix>& fixes) {
    const auto old_text = read_text_file(session.path, dsp::kJsonBytes);
    const auto changed = [&] {
        return bad_input(session.path.string() +
                         ": was changed while it was checked; run kitfold check again");
    };
    dsp::Json json;
    try {
        json = dsp::parse_json(old_text);
    } catch (const dsp::SettingsError&) {
        throw changed();
    }
    if (!json.is_object() || !json.contains("mics") || json["mics"].size() != session.mics.size())
        throw changed();
    for (const auto& fix : fixes) {
        auto& mic = json["mics"][fix.mic];
        if (!mic.is_object() || !mic.contains("name") || mic["name"] != session.mics[fix.mic].name)
            throw changed();
        if (fix.flips) mic["polarity"] = fix.inverted ? "inverted" : "normal";
        if (fix.moves)
            mic["delay_ms"] = std::round(fix.delay_ms * 1e4) / 1e4; // a hundredth of a sample at 96 kHz
    }
    const auto backup = free_backup_name(session.path);
    write_whole_file(backup, old_text);
    write_whole_file(session.path, dsp::pretty(json));
    return backup;
}

} // namespace kitfold::offline
