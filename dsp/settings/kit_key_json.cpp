#include "settings/kit_key_json.h"
#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

namespace kitfold::dsp {
namespace {

constexpr std::string_view kTop[] = {"bands_hz", "mics", "paths"};
constexpr std::string_view kMicKeys[] = {"mic", "known", "level_db", "weight_db", "noise_db", "wash_db"};
constexpr std::string_view kPathKeys[] = {"from", "mic", "gain_db", "response"};

Json db_json(double db) { return db == kOffDb ? Json("-inf") : Json(db); }

Json bands_json(const KeyBands& bands) {
    Json out = Json::array();
    for (const double db : bands) out.push_back(db_json(db));
    return out;
}

const Json& required(const Json& object, std::string_view at, std::string_view key) {
    const auto found = object.find(key);
    if (found == object.end()) throw SettingsError(key_path(at, key) + " is missing");
    return *found;
}

const Json& list(const Json& object, std::string_view at, std::string_view key) {
    const auto& value = required(object, at, key);
    if (!value.is_array())
        throw SettingsError(key_path(at, key) + " is " + shown(value) + ", but must be a list");
    return value;
}

double read_db(const Json& value, const std::string& path, double lowest, double highest,
               const char* or_else = "") {
    const double db = value.is_number() ? value.get<double>() : std::nan("");
    if (!(db >= lowest && db <= highest))
        throw SettingsError(path + " is " + shown(value) + ", but must be a number of dB from " +
                            std::to_string(static_cast<int>(lowest)) + " to " +
                            std::to_string(static_cast<int>(highest)) + or_else);
    return db;
}

double read_db_or_off(const Json& value, const std::string& path, double lowest, double highest) {
    if (value.is_string() && value == "-inf") return kOffDb;
    return read_db(value, path, lowest, highest, ", or \"-inf\"");
}

KeyBands read_bands(const Json& object, std::string_view at, std::string_view key, double highest) {
    const auto& values = list(object, at, key);
    const auto path = key_path(at, key);
    if (values.size() != kKeyBands)
        throw SettingsError(path + " has " + std::to_string(values.size()) + " entries, but must have " +
                            std::to_string(kKeyBands) + ", one per band");
    KeyBands out{};
    for (std::size_t b = 0; b < kKeyBands; ++b)
        out[b] = read_db_or_off(values[b], path + "[" + std::to_string(b) + "]", -200.0, highest);
    return out;
}

std::size_t read_mic(const Json& object, std::string_view at, std::string_view key,
                     std::span<const std::string> names) {
    const auto& value = required(object, at, key);
    const auto found =
        value.is_string() ? std::find(names.begin(), names.end(), value.get<std::string>()) : names.end();
    if (found == names.end())
        throw SettingsError(key_path(at, key) + " is " + shown(value) +
                            ", which is no mic here; take the entry out or learn the bleed again");
    return static_cast<std::size_t>(found - names.begin());
}

/// An impulse response, or nothing.
std::vector<double> read_response(const Json& object, std::string_view at) {
    if (object.find("response") == object.end()) return {};
    const auto& values = list(object, at, "response");
    const auto path = key_path(at, "response");
    if (values.size() != kResponseTaps)
        throw SettingsError(path + " has " + std::to_string(values.size()) + " entries, but must have " +
                            std::to_string(kResponseTaps) + ", one per tap");
    std::vector<double> out;
    for (const auto& value : values) {
        out.push_back(value.is_number() ? value.get<double>() : std::nan(""));
        if (!(std::fabs(out.back()) <= kMostResponse))
            throw SettingsError(path + "[" + std::to_string(out.size() - 1) + "] is " + shown(value) +
                                ", but must be a number from -100 to 100");
    }
    return out;
}

void check_bands(const Json& json, std::string_view at) {
    const auto& hz = list(json, at, "bands_hz");
    if (hz != Json(kKeyBandHz))
        throw SettingsError(key_path(at, "bands_hz") + " is " + shown(hz) +
                            ", but this Kitfold compares other bands; learn the bleed again");
}

bool read_known(const Json& mic, std::string_view at) {
    const auto& known = required(mic, at, "known");
    if (!known.is_boolean())
        throw SettingsError(key_path(at, "known") + " is " + shown(known) + ", but must be true or false");
    return known.get<bool>();
}

std::string entry(std::string_view at, std::string_view key, std::size_t number) {
    return key_path(at, key) + "[" + std::to_string(number) + "]";
}

} // namespace

Json to_json(const KitKeyTable& table, std::span<const std::string> names) {
    Json out = {{"bands_hz", kKeyBandHz}, {"mics", Json::array()}, {"paths", Json::array()}};
    for (std::size_t m = 0; m < table.mics.size(); ++m) {
        const auto& mic = table.mics[m];
        out["mics"].push_back({{"mic", names[m]},
                               {"known", mic.known},
                               {"level_db", mic.level_db},
                               {"weight_db", bands_json(mic.weight_db)},
                               {"noise_db", bands_json(mic.noise_db)},
                               {"wash_db", bands_json(mic.wash_db)}});
    }
    for (const auto& b : table.bleed) {
        out["paths"].push_back(
            {{"from", names[b.source]}, {"mic", names[b.mic]}, {"gain_db", bands_json(b.gain_db)}});
        if (!b.response.empty()) out["paths"].back()["response"] = b.response;
    }
    return out;
}

KitKeyTable read_kit_key(const Json& json, std::string_view at, std::span<const std::string> names) {
    check_keys(json, at, kTop);
    check_bands(json, at);
    KitKeyTable table;
    table.mics.resize(names.size());
    for (auto& m : table.mics) m.weight_db.fill(kOffDb), m.noise_db.fill(kOffDb), m.wash_db.fill(kOffDb);
    const auto& mics = list(json, at, "mics");
    for (std::size_t i = 0; i < mics.size(); ++i) {
        const auto path = entry(at, "mics", i);
        check_keys(mics[i], path, kMicKeys);
        auto& mic = table.mics[read_mic(mics[i], path, "mic", names)];
        mic.known = read_known(mics[i], path);
        mic.level_db = read_db(required(mics[i], path, "level_db"), key_path(path, "level_db"), -40.0, 40.0);
        mic.weight_db = read_bands(mics[i], path, "weight_db", 0.0);
        mic.noise_db = read_bands(mics[i], path, "noise_db", 0.0);
        mic.wash_db = read_bands(mics[i], path, "wash_db", 40.0);
    }
    const auto& paths = list(json, at, "paths");
    for (std::size_t i = 0; i < paths.size(); ++i) {
        const auto path = entry(at, "paths", i);
        check_keys(paths[i], path, kPathKeys);
        table.bleed.push_back({read_mic(paths[i], path, "from", names),
                               read_mic(paths[i], path, "mic", names),
                               read_bands(paths[i], path, "gain_db", 40.0), read_response(paths[i], path)});
    }
    return table;
}

} // namespace kitfold::dsp
