#include "offline/session/presets.h"
#include "offline/util/errors.h"
#include "offline/util/text_file.h"
#include <algorithm>
#include <cstdlib>
#include <nlohmann/json.hpp>
#include <sys/auxv.h>

namespace kitfold::offline {
namespace {

namespace fs = std::filesystem;
using dsp::Json;
using dsp::key_path;
using dsp::SettingsError;
using dsp::shown;

constexpr std::string_view kKinds[] = {"filters", "gate",    "damp", "bus",
                                       "sum",     "balance", "kit"}; // kits last: they name the others
constexpr std::string_view kTemplateKeys[] = {
    "kitfold_template", "title", "about", "mics", "sum", "bus", "output"};

std::string text_of(const Json& json, std::string_view key) {
    const auto found = json.find(key);
    if (found == json.end() || !found->is_string())
        throw SettingsError(std::string(key) + " is missing; it must be a text");
    return found->get<std::string>();
}

void require_version(const Json& json, std::string_view key) {
    const auto found = json.find(key);
    if (found == json.end() || *found != 1)
        throw SettingsError(std::string(key) + " must be there, and be 1");
}

template <class Settings> Settings preset_block(const Json& json) {
    const auto key = dsp::block_key<Settings>();
    const auto found = dsp::find_block<Settings>(json);
    const std::string_view known[] = {"kitfold_preset", "title", "about",
                                      found.json != nullptr ? found.key : key};
    dsp::check_keys(json, "", known);
    require_version(json, "kitfold_preset");
    if (found.json == nullptr)
        throw SettingsError(std::string(key) + " is missing; it is what the preset sets");
    Settings settings;
    dsp::read_settings(*found.json, found.key, settings);
    return settings;
}

/// A block of a kit: an object, or the name of a preset of that block.
template <class Settings> void read_named(const Json& parent, std::string_view at,
                                          const std::vector<Preset>& presets, std::optional<Settings>& out) {
    const auto [key, found] = dsp::find_block<Settings>(parent);
    if (found == nullptr) return;
    Settings settings;
    if (found->is_string()) {
        const auto named = std::find_if(presets.begin(), presets.end(), [name = found](const Preset& preset) {
            return preset.name == *name && std::holds_alternative<Settings>(preset.content);
        });
        if (named == presets.end())
            throw SettingsError(key_path(at, key) + " is " + shown(*found) +
                                ", but must be an object or the name of a " + std::string(key) + " preset");
        settings = std::get<Settings>(named->content);
    } else {
        dsp::read_settings(*found, key_path(at, key), settings);
    }
    out = settings;
}

Mic kit_mic(const Json& json, const std::string& at, const std::vector<Preset>& presets) {
    static const auto known = [] {
        const auto mix = dsp::keys<dsp::MicSettings>();
        std::vector<std::string_view> out(mix.begin(), mix.end());
        out.insert(out.end(), {"filters", "kick", "gate", "damp"});
        return out;
    }();
    dsp::check_keys(json, at, known);
    Mic mic;
    dsp::read_keys(json, at, mic.mix);
    mic.role = mic.mix.role;
    read_named(json, at, presets, mic.filters);
    read_named(json, at, presets, mic.gate);
    read_named(json, at, presets, mic.damp);
    return mic;
}

Session read_kit(const Json& json, const std::vector<Preset>& presets) {
    dsp::check_keys(json, "", kTemplateKeys);
    require_version(json, "kitfold_template");
    Session kit;
    const auto mics = json.find("mics");
    if (mics == json.end() || !mics->is_array() || mics->empty())
        throw SettingsError("mics must be there, and be a list of mics");
    for (std::size_t i = 0; i < mics->size(); ++i)
        kit.mics.push_back(kit_mic((*mics)[i], "mics[" + std::to_string(i) + "]", presets));
    if (const auto sum = json.find("sum"); sum != json.end()) dsp::read_settings(*sum, "sum", kit.sum);
    if (const auto output = json.find("output"); output != json.end())
        dsp::read_settings(*output, "output", kit.output);
    read_named(json, "", presets, kit.bus);
    return kit;
}

PresetContent read_content(const Json& json, std::string_view kind, const std::vector<Preset>& presets) {
    if (kind == "filters") return preset_block<dsp::KickSettings>(json);
    if (kind == "gate") return preset_block<dsp::GateSettings>(json);
    if (kind == "damp") return preset_block<dsp::DampSettings>(json);
    if (kind == "bus") return preset_block<dsp::BusSettings>(json);
    if (kind == "sum") return preset_block<dsp::SumSettings>(json);
    if (kind == "balance") return preset_block<dsp::BalanceSettings>(json);
    return read_kit(json, presets);
}

Preset read_preset(const fs::path& path, std::string_view kind, const std::vector<Preset>& presets) {
    try {
        const auto json = dsp::parse_json(read_text_file(path, dsp::kJsonBytes));
        auto content = read_content(json, kind, presets);
        return {path.stem().string(), std::string(kind), text_of(json, "title"), text_of(json, "about"),
                std::move(content)};
    } catch (const SettingsError& error) {
        throw bad_input(path.string() + ": " + error.what());
    }
}

std::vector<fs::path> json_files(const fs::path& folder) {
    std::vector<fs::path> out;
    std::error_code ignored; // a presets folder need not have every kind
    for (const auto& entry : fs::directory_iterator(folder, ignored))
        if (entry.path().extension() == ".json") out.push_back(entry.path());
    std::sort(out.begin(), out.end());
    return out;
}

Json kit_json(const Session& kit) {
    Json out = {{"mics", Json::array()}};
    for (const auto& mic : kit.mics) {
        Json entry = {{"role", std::string(dsp::token(mic.role))}};
        const auto mix = dsp::to_json(mic.mix);
        for (const auto& [key, value] : mix.items()) entry[key] = value;
        if (mic.filters) entry["filters"] = dsp::to_json(*mic.filters);
        if (mic.gate) entry["gate"] = dsp::to_json(*mic.gate);
        if (mic.damp) entry["damp"] = dsp::to_json(*mic.damp);
        out["mics"].push_back(std::move(entry));
    }
    out["sum"] = dsp::to_json(kit.sum);
    if (kit.bus) out["bus"] = dsp::to_json(*kit.bus);
    out["output"] = dsp::to_json(kit.output);
    return out;
}

} // namespace

fs::path presets_folder() {
    std::error_code ignored;
    if (const char* chosen = std::getenv("KITFOLD_PRESETS"); chosen != nullptr && *chosen != '\0') {
        if (!fs::is_directory(chosen, ignored))
            throw bad_input("KITFOLD_PRESETS is " + std::string(chosen) +
                            ", but must be a folder of presets");
        return chosen;
    }
    auto program = fs::read_symlink("/proc/self/exe", ignored);
    if (program.empty()) // in a bare chroot: as it was called
        if (const auto called = ::getauxval(AT_EXECFN); called != 0)
            program = fs::canonical(reinterpret_cast<const char*>(called), ignored);
    const auto beside =
        program.parent_path().parent_path() / "share/kitfold/presets"; // a build tree has it too
    if (fs::is_directory(beside, ignored)) return beside;
    throw bad_input("the presets are not at " + beside.string() + "; set KITFOLD_PRESETS to their folder");
}

std::vector<Preset> load_presets(const fs::path& folder) {
    std::vector<Preset> out;
    for (const auto kind : kKinds) {
        auto files = json_files(folder / kind);
        if (kind == "filters") // the folder's earlier name
            for (auto& path : json_files(folder / "kick")) files.push_back(std::move(path));
        for (const auto& path : files) {
            auto preset = read_preset(path, kind, out);
            if (std::any_of(out.begin(), out.end(), [&](const Preset& p) { return p.name == preset.name; }))
                throw bad_input(path.string() + ": another preset has this name; give each its own");
            out.push_back(std::move(preset));
        }
    }
    return out;
}

Preset load_preset(const fs::path& file, std::string_view kind) { return read_preset(file, kind, {}); }

const Preset& find_preset(const std::vector<Preset>& presets, std::string_view name) {
    const auto found =
        std::find_if(presets.begin(), presets.end(), [&](const Preset& p) { return p.name == name; });
    if (found != presets.end()) return *found;
    std::vector<std::string_view> names;
    for (const auto& preset : presets) names.push_back(preset.name);
    const auto nearest = dsp::nearest_of(name, names);
    throw bad_input("there is no preset " + shown(Json(std::string(name))) +
                    (nearest.empty() ? std::string("; kitfold presets list shows them all")
                                     : "; did you mean " + std::string(nearest) + "?"));
}

const Preset& find_preset(const std::vector<Preset>& presets, std::string_view name, std::string_view kind) {
    const auto& preset = find_preset(presets, name);
    if (preset.kind != kind)
        throw bad_input(preset.name + " is a preset of " + preset.kind + ", but one of " + std::string(kind) +
                        " is needed");
    return preset;
}

Json to_json(const Preset& preset) {
    const auto* kit = std::get_if<Session>(&preset.content);
    Json out = {{kit != nullptr ? "kitfold_template" : "kitfold_preset", 1},
                {"title", preset.title},
                {"about", preset.about}};
    std::visit(
        [&]<class Content>(const Content& content) {
            if constexpr (std::is_same_v<Content, Session>)
                out.update(kit_json(content));
            else
                out[std::string(dsp::block_key<Content>())] = dsp::to_json(content);
        },
        preset.content);
    return out;
}

} // namespace kitfold::offline
