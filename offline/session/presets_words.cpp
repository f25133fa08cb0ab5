#include "offline/session/presets_words.h"
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

template <class Settings> std::string lines_of(const Settings& settings) {
    std::string out;
    for (const auto& field : dsp::fields<Settings>())
        out += fmt::format("  {:<16} {:>12}   {}\n", field.parameter.name,
                           dsp::text(field.parameter, field.of(settings)), field.parameter.help);
    return out;
}

std::string lines_of(const Session& kit) {
    std::string out;
    for (const auto& mic : kit.mics) {
        const auto shown = [&](std::string_view key) {
            for (const auto& field : dsp::fields<dsp::MicSettings>())
                if (field.parameter.key == key) return dsp::text(field.parameter, field.of(mic.mix));
            return std::string();
        };
        out += fmt::format("  {:<16} {:>9}  pan {:<5} polarity {:<9}{}{}{}\n", shown("role"),
                           shown("level_db"), shown("pan"), shown("polarity"), mic.filters ? " filters" : "",
                           mic.gate ? " gate" : "", mic.damp ? " damp" : "");
    }
    return out;
}

/// Calls use(a default block) for every block of a session, in the order of a person's questions.
template <class Use> void each_block(Use use) {
    use(dsp::MicSettings()), use(dsp::OfflineSettings()), use(dsp::KickSettings()), use(dsp::GateSettings());
    use(dsp::DampSettings()), use(dsp::RingBand()), use(dsp::SumSettings()), use(dsp::BusSettings());
    use(dsp::BalanceSettings()), use(dsp::OutputSettings()), use(dsp::RoomSettings());
}

} // namespace

dsp::Json presets_json(const std::filesystem::path& folder, const std::vector<Preset>& presets) {
    dsp::Json out = {{"kitfold_presets", 1}, {"folder", folder.string()}, {"presets", dsp::Json::array()}};
    for (const auto& p : presets)
        out["presets"].push_back(
            {{"name", p.name}, {"kind", p.kind}, {"title", p.title}, {"about", p.about}});
    return out;
}

std::string presets_text(const std::vector<Preset>& presets) {
    std::string out;
    for (const auto& preset : presets)
        out += fmt::format("{:<7} {:<22} {}\n", preset.kind, preset.name, preset.title);
    return out;
}

std::string preset_text(const Preset& preset) {
    auto json = to_json(preset);
    for (const auto* heading : {"kitfold_preset", "kitfold_template", "title", "about"}) json.erase(heading);
    return preset.title + "\n" + preset.about + "\n\n" +
           std::visit([](const auto& content) { return lines_of(content); }, preset.content) +
           "\nTo paste into a session:\n" + dsp::pretty(json);
}

dsp::Json parameters_json() {
    dsp::Json out = {{"kitfold_parameters", 1}};
    each_block([&]<class Settings>(const Settings&) {
        for (const auto& field : dsp::fields<Settings>())
            out[std::string(dsp::block_key<Settings>())].push_back(
                {{"key", field.parameter.key},
                 {"name", field.parameter.name},
                 {"unit", field.parameter.unit},
                 {"help", field.parameter.help},
                 {"allowed", dsp::what_is_allowed(field.parameter)}});
    });
    return out;
}

std::string parameters_text() {
    std::string out =
        "Every number of a session: key, what it does (what it is when left out): what it may be\n";
    each_block([&]<class Settings>(const Settings&) {
        out += "\n\"" + std::string(dsp::block_key<Settings>()) + "\"\n";
        for (const auto& field : dsp::fields<Settings>())
            out += fmt::format("  {:<19} {} ({}): {}\n", field.parameter.key, field.parameter.help,
                               dsp::text(field.parameter, field.parameter.fallback),
                               dsp::what_is_allowed(field.parameter));
    });
    return out;
}

} // namespace kitfold::offline
