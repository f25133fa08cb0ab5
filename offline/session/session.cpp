#include "offline/session/session.h"
#include "mix/pan_mix.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include "offline/util/file_name.h"
#include "offline/util/text_file.h"
#include "settings/kit_key_json.h"
#include "settings/settings_json.h"
#include "take/drums.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;
using dsp::Json;
using dsp::key_path;
using dsp::SettingsError;
using dsp::shown;

constexpr int kVersion = 1;
constexpr int kMaxChannel = 1024; // libsndfile's own limit
constexpr std::size_t kMaxNameBytes = 100;
constexpr std::string_view kTop[] = {
    "kitfold_session", "title",  "like", "from", "to", "room", "mics", "sum", "bus",
    "balance",         "output", "bleed"};

std::vector<std::string_view> mic_keys() {
    std::vector<std::string_view> out = {"name", "role", "file", "channel"};
    for (const auto key : dsp::keys<dsp::MicSettings>())
        if (key != "role") out.push_back(key);
    const auto offline = dsp::keys<dsp::OfflineSettings>();
    out.insert(out.end(), offline.begin(), offline.end());
    for (const auto key : {"balanced_db", "balanced_pan", "filters", "kick", "gate", "damp"})
        out.emplace_back(key);
    return out;
}

const Json& required(const Json& object, std::string_view at, std::string_view key, std::string_view what) {
    const auto found = object.find(key);
    if (found == object.end())
        throw SettingsError(key_path(at, key) + " is missing; it is " + std::string(what));
    return *found;
}

std::string line_of_text(const Json& value, const std::string& path, std::string_view what) {
    const auto refuse = [&] {
        throw SettingsError(path + " is " + shown(value) + ", but must be " + std::string(what));
    };
    if (!value.is_string()) refuse();
    const auto& text = value.get_ref<const std::string&>();
    for (const char c : text)
        if (static_cast<unsigned char>(c) < 0x20 || c == 0x7f) refuse();
    return text;
}

std::string filled_line(const Json& value, const std::string& path, std::string_view what) {
    auto text = line_of_text(value, path, what);
    if (text.find_first_not_of(' ') == std::string::npos)
        throw SettingsError(path + " is empty, but must be " + std::string(what));
    return text;
}

void read_version(const Json& json) {
    const auto& version = required(json, "", "kitfold_session", "the version of the format, 1");
    if (version.is_number_integer() && version.get<std::int64_t>() > kVersion)
        throw SettingsError("kitfold_session is " + shown(version) +
                            ", which a later Kitfold wrote; this one (" KITFOLD_VERSION ") reads version 1");
    if (!version.is_number() || version != kVersion)
        throw SettingsError("kitfold_session is " + shown(version) + ", but must be 1");
}

int read_channel_number(const Json& mic, std::string_view at) {
    const auto found = mic.find("channel");
    if (found == mic.end()) return 1;
    const double number = found->is_number() ? found->get<double>() : 0.0;
    if (!(number >= 1.0 && number <= kMaxChannel) || number != static_cast<int>(number))
        throw SettingsError(key_path(at, "channel") + " is " + shown(*found) +
                            ", but must be a channel of the file, counted from 1");
    return static_cast<int>(number);
}

/// A block that may be left out. `null` is not a way to leave it out: the table says so in its own words.
template <class Settings>
void read_block(const Json& parent, std::string_view at, std::optional<Settings>& out) {
    const auto found = dsp::find_block<Settings>(parent);
    if (found.json == nullptr) return;
    const auto earlier = dsp::earlier_block_key<Settings>();
    if (!earlier.empty() && found.key != earlier && parent.contains(earlier))
        throw SettingsError(key_path(at, found.key) + " stands beside " + std::string(earlier) +
                            ", the same block under its earlier name; keep one of the two");
    Settings settings;
    dsp::read_settings(*found.json, key_path(at, found.key), settings);
    out = settings;
}

template <class Settings> void read_block(const Json& parent, std::string_view at, Settings& out) {
    std::optional<Settings> read;
    read_block(parent, at, read);
    if (read) out = *read;
}

void refuse_side_chain(dsp::GateKey key, const std::string& path, std::string_view instead) {
    if (key == dsp::GateKey::side_chain)
        throw SettingsError(path + " is \"side_chain\", but only a host has one; in a session it must be " +
                            std::string(instead));
}

void refuse_reduction_without_drum(const Json& json, const Mic& mic, std::string_view at) {
    if (mic.bounce.bleed_reduction_db > 0.0 && !dsp::own_drum(mic.role))
        throw SettingsError(
            key_path(at, "bleed_reduction_db") + " is " + shown(json.at("bleed_reduction_db")) +
            ", but must be 0 or left out: only the close mic of a drum has bleed, and the role is \"" +
            std::string(dsp::token(mic.role)) + "\"");
}

/// What a balance wrote beside a setting: the same range, and the same words for what is out of it.
template <class Settings> std::optional<double> read_balanced(const Json& json, std::string_view at,
                                                              const std::string& key, const std::string& of,
                                                              double Settings::*member) {
    const auto found = json.find(key);
    if (found == json.end()) return std::nullopt;
    Settings settings;
    try {
        dsp::read_keys(Json{{of, *found}}, "", settings);
    } catch (const SettingsError& error) {
        throw SettingsError(key_path(at, key) + std::string(error.what()).substr(of.size()));
    }
    return settings.*member;
}

Mic read_mic(const Json& json, const std::string& at) {
    static const auto known = mic_keys();
    dsp::check_keys(json, at, known);
    Mic mic;
    mic.name = filled_line(required(json, at, "name", "the mic's name, such as \"Kick out\""),
                           key_path(at, "name"), "the mic's name, such as \"Kick out\"");
    if (mic.name.size() > kMaxNameBytes)
        throw SettingsError(key_path(at, "name") + " is longer than " + std::to_string(kMaxNameBytes) +
                            " bytes");
    try {
        mic.file = filled_line(required(json, at, "file", "the mic's audio file"), key_path(at, "file"),
                               "the name of an audio file");
        mic.channel = read_channel_number(json, at);
        dsp::read_keys(json, at, mic.mix);
        mic.role = mic.mix.role;
        dsp::read_keys(json, at, mic.bounce);
        refuse_reduction_without_drum(json, mic, at);
        mic.balanced_db = read_balanced(json, at, "balanced_db", "level_db", &dsp::MicSettings::level_db);
        mic.balanced_pan = read_balanced(json, at, "balanced_pan", "pan", &dsp::MicSettings::pan);
        read_block(json, at, mic.filters);
        read_block(json, at, mic.gate);
        read_block(json, at, mic.damp);
        if (mic.gate) refuse_side_chain(mic.gate->key, key_path(at, "gate.key"), "\"own\" or \"kit\"");
    } catch (const SettingsError& error) {
        throw SettingsError(std::string(error.what()) + " (mic " + shown(Json(mic.name)) + ")");
    }
    return mic;
}

std::vector<Mic> read_mics(const Json& json) {
    if (!json.is_array()) throw SettingsError("mics is " + shown(json) + ", but must be a list of mics");
    if (json.empty() || json.size() > dsp::PanMix::kMaxMics)
        throw SettingsError("mics has " + std::to_string(json.size()) + " entries, but must have 1 to 32");
    std::vector<Mic> mics;
    for (const auto& entry : json) {
        const auto at = "mics[" + std::to_string(mics.size()) + "]";
        auto mic = read_mic(entry, at);
        for (std::size_t i = 0; i < mics.size();
             ++i) // stems are named after mics, also where case doesn't count
            if (folded(mics[i].name) == folded(mic.name))
                throw SettingsError(at + ".name is " + shown(Json(mic.name)) + ", as is mics[" +
                                    std::to_string(i) + "].name; give each mic its own name");
        mics.push_back(std::move(mic));
    }
    return mics;
}

std::vector<std::string> mic_names(const Session& session) {
    std::vector<std::string> names;
    for (const auto& mic : session.mics) names.push_back(mic.name);
    return names;
}

void read_output(const Json& json, Session& session) {
    const auto output = json.find("output");
    if (output == json.end()) return;
    auto known = std::vector<std::string_view>(dsp::keys<dsp::OutputSettings>().begin(),
                                               dsp::keys<dsp::OutputSettings>().end());
    known.insert(known.end(), {"balanced_db", "balanced_threshold_db"});
    dsp::check_keys(*output, "output", known);
    dsp::read_keys(*output, "output", session.output);
    session.balanced_output_db =
        read_balanced(*output, "output", "balanced_db", "level_db", &dsp::OutputSettings::level_db);
    session.balanced_threshold_db = read_balanced(*output, "output", "balanced_threshold_db", "threshold_db",
                                                  &dsp::BusSettings::threshold_db);
}

TakeRange read_stored_range(const Json& json) {
    const auto text = [&](const char* key) {
        const auto at = json.find(key);
        return at == json.end() ? std::string() : filled_line(*at, key, "a time such as \"1:05\"");
    };
    try {
        return stored_range(text("from"), text("to"));
    } catch (const Error& error) {
        throw SettingsError(error.what());
    }
}

/// Files that say they are sessions, whole or not.
std::vector<fs::path> sessions_in(const fs::path& folder) {
    std::vector<fs::path> out;
    std::error_code error;
    for (const auto& entry : fs::directory_iterator(folder, error)) {
        if (!is_session_name(entry.path()) || !entry.is_regular_file(error)) continue;
        try {
            const auto json = dsp::parse_json(read_text_file(entry.path(), dsp::kJsonBytes));
            if (json.is_object() && json.contains("kitfold_session")) out.push_back(entry.path());
        } catch (const std::exception&) { // no JSON, or not to be read: no session
        }
    }
    std::sort(out.begin(), out.end());
    return out;
}

Error no_session_in(const fs::path& folder) {
    std::string names;
    const auto sessions = sessions_in(folder);
    for (const auto& file : sessions) names += (names.empty() ? "" : ", ") + file.filename().string();
    return bad_input(folder.string() + ": no session.json in this folder" +
                     (names.empty() ? "; kitfold new " + folder.string() + " makes one"
                                    : ", but " + names + "; name the file, such as " + sessions[0].string()));
}

template <class Settings> void write_block(Json& parent, const std::optional<Settings>& settings) {
    if (settings) parent[std::string(dsp::block_key<Settings>())] = dsp::to_json(*settings);
}

template <class Settings> void write_block(Json& parent, const Settings& settings) {
    parent[std::string(dsp::block_key<Settings>())] = dsp::to_json(settings);
}

template <class Settings> void write_balanced(Json& object, const std::string& key, const std::string& of,
                                              double Settings::*member, const std::optional<double>& value) {
    if (!value) return;
    Settings settings;
    settings.*member = *value;
    object[key] = dsp::to_json(settings)[of];
}

Json mic_json(const Mic& mic) {
    Json out = {{"name", mic.name},
                {"role", std::string(dsp::token(mic.role))},
                {"file", mic.file.string()},
                {"channel", mic.channel}};
    const auto mix = dsp::to_json(mic.mix);
    for (const auto& [key, value] : mix.items())
        if (key != "role") out[key] = value;
    if (mic.bounce != dsp::OfflineSettings{}) // earlier versions don't know these keys
        out.update(dsp::to_json(mic.bounce));
    write_balanced(out, "balanced_db", "level_db", &dsp::MicSettings::level_db, mic.balanced_db);
    write_balanced(out, "balanced_pan", "pan", &dsp::MicSettings::pan, mic.balanced_pan);
    write_block(out, mic.filters);
    write_block(out, mic.gate);
    write_block(out, mic.damp);
    return out;
}

} // namespace

Session read_session(const Json& json) {
    if (json.is_object()) read_version(json); // before unknown keys: a later version may have more
    dsp::check_keys(json, "", kTop);
    Session session;
    if (const auto title = json.find("title"); title != json.end())
        session.title = line_of_text(*title, "title", "one line of text");
    if (const auto like = json.find("like"); like != json.end())
        session.like = line_of_text(*like, "like", "the session whose sound was taken over");
    session.range = read_stored_range(json);
    read_block(json, "", session.room);
    session.mics = read_mics(required(json, "", "mics", "the list of mics"));
    if (const auto& mics = json.at("mics");
        std::any_of(mics.begin(), mics.end(), [](const Json& mic) { return mic.contains("kick"); }))
        session.notices.emplace_back("A mic's \"kick\" is called \"filters\" now; it was read as before.");
    read_block(json, "", session.sum);
    read_block(json, "", session.bus);
    if (session.bus) refuse_side_chain(session.bus->key, "bus.key", "\"own\"");
    read_block(json, "", session.balance);
    read_output(json, session);
    if (const auto bleed = json.find("bleed"); bleed != json.end())
        session.bleed = dsp::read_kit_key(*bleed, "bleed", mic_names(session));
    return session;
}

bool is_session_name(const fs::path& file) {
    const auto ending = folded(file.extension().string());
    const auto before = folded(file.stem().extension().string());
    return ending == ".json" && !before.starts_with(".backup") && before != ".recall" && !file.stem().empty();
}

Session load_session(const fs::path& path) {
    std::error_code ignored;
    const bool folder = fs::is_directory(path, ignored);
    const auto file = folder ? path / "session.json" : path;
    if (folder && !fs::exists(file, ignored)) throw no_session_in(path);
    try {
        auto session = read_session(dsp::parse_json(read_text_file(file, dsp::kJsonBytes)));
        session.path = file;
        return session;
    } catch (const SettingsError& error) {
        throw bad_input(file.string() + ": " + error.what());
    }
}

std::string to_json_text(const Session& session) {
    Json json = {{"kitfold_session", kVersion}, {"title", session.title}};
    if (!session.like.empty()) json["like"] = session.like;
    if (session.range.from_s > 0.0) json["from"] = clock_text(session.range.from_s);
    if (!std::isinf(session.range.to_s)) json["to"] = clock_text(session.range.to_s);
    write_block(json, session.room);
    json["mics"] = Json::array();
    for (const auto& mic : session.mics) json["mics"].push_back(mic_json(mic));
    write_block(json, session.sum);
    write_block(json, session.bus);
    write_block(json, session.balance);
    write_block(json, session.output);
    write_balanced(json["output"], "balanced_db", "level_db", &dsp::OutputSettings::level_db,
                   session.balanced_output_db);
    write_balanced(json["output"], "balanced_threshold_db", "threshold_db", &dsp::BusSettings::threshold_db,
                   session.balanced_threshold_db);
    if (!session.bleed.mics.empty()) json["bleed"] = dsp::to_json(session.bleed, mic_names(session));
    try {
        return dsp::pretty(json);
    } catch (const Json::type_error&) { // JSON is UTF-8
        throw bad_input(session.path.string() + ": a file or mic name is not UTF-8 text; rename it");
    }
}

void save_session(const Session& session, const fs::path& path) {
    write_whole_file(path, to_json_text(session));
}

fs::path keep_backup(const fs::path& session, const std::string& text) {
    const auto stem = (session.parent_path() / session.stem()).string();
    for (int n = 1;; ++n) {
        const fs::path name = stem + (n == 1 ? ".backup.json" : ".backup-" + std::to_string(n) + ".json");
        std::error_code ignored;
        if (!fs::exists(fs::symlink_status(name, ignored))) {
            write_whole_file(name, text, session);
            return name;
        }
        if (fs::file_size(name, ignored) == text.size() && read_text_file(name, text.size()) == text)
            return name;
    }
}

fs::path audio_path(const Session& session, const Mic& mic) { return session.path.parent_path() / mic.file; }

} // namespace kitfold::offline
