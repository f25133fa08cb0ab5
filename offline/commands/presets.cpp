#include "offline/session/presets.h"
#include "offline/commands/command.h"
#include <CLI/CLI.hpp>
#include <fmt/format.h>
#include <memory>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

struct Options {
    bool json = false;
    std::string name;
};

void list(const Options& options) {
    const auto folder = presets_folder();
    const auto presets = load_presets(folder);
    if (!options.json) {
        for (const auto& preset : presets)
            print(fmt::format("{:<5} {:<22} {}\n", preset.kind, preset.name, preset.title));
        return;
    }
    dsp::Json out = {{"kitfold_presets", 1}, {"folder", folder.string()}, {"presets", dsp::Json::array()}};
    for (const auto& p : presets)
        out["presets"].push_back(
            {{"name", p.name}, {"kind", p.kind}, {"title", p.title}, {"about", p.about}});
    print_json(out);
}

template <class Settings> std::string lines_of(const Settings& settings) {
    std::string out;
    for (const auto& field : dsp::fields<Settings>())
        out += fmt::format("  {:<16} {:>12}   {}\n", field.parameter.name,
                           dsp::text(field.parameter, settings.*field.member), field.parameter.help);
    return out;
}

std::string lines_of(const Session& kit) {
    std::string out;
    for (const auto& mic : kit.mics) {
        const auto shown = [&](std::string_view key) {
            for (const auto& field : dsp::fields<dsp::MicSettings>())
                if (field.parameter.key == key) return dsp::text(field.parameter, mic.mix.*field.member);
            return std::string();
        };
        out += fmt::format("  {:<16} {:>9}  pan {:<5} polarity {:<9}{}{}{}\n", shown("role"),
                           shown("level_db"), shown("pan"), shown("polarity"), mic.kick ? " kick" : "",
                           mic.gate ? " gate" : "", mic.damp ? " damp" : "");
    }
    return out;
}

void show(const Options& options) {
    const auto presets = load_presets(presets_folder());
    const auto& preset = find_preset(presets, options.name);
    if (options.json) return print_json(to_json(preset));
    print(preset.title + "\n" + preset.about + "\n\n");
    print(std::visit([](const auto& content) { return lines_of(content); }, preset.content));
    auto json = to_json(preset);
    for (const auto* heading : {"kitfold_preset", "kitfold_template", "title", "about"}) json.erase(heading);
    print("\nTo paste into a session:\n" + dsp::pretty(json));
}

template <class Settings> void add_table(std::string& text, dsp::Json& json) {
    const std::string block(dsp::block_key<Settings>());
    text += "\n\"" + block + "\"\n";
    for (const auto& field : dsp::fields<Settings>()) {
        const auto& p = field.parameter;
        text += fmt::format("  {:<18}{} ({}): {}\n", p.key, p.help, dsp::text(p, p.fallback),
                            dsp::what_is_allowed(p));
        json[block].push_back({{"key", p.key},
                               {"name", p.name},
                               {"unit", p.unit},
                               {"help", p.help},
                               {"allowed", dsp::what_is_allowed(p)}});
    }
}

void parameters(const Options& options) {
    std::string text =
        "Every number of a session: key, what it does (what it is when left out): what it may be\n";
    dsp::Json json = {{"kitfold_parameters", 1}};
    add_table<dsp::MicSettings>(text, json), add_table<dsp::OfflineSettings>(text, json);
    add_table<dsp::KickSettings>(text, json);
    add_table<dsp::GateSettings>(text, json), add_table<dsp::DampSettings>(text, json);
    add_table<dsp::RingBand>(text, json), add_table<dsp::SumSettings>(text, json);
    add_table<dsp::BusSettings>(text, json), add_table<dsp::OutputSettings>(text, json);
    add_table<dsp::RoomSettings>(text, json);
    options.json ? print_json(json) : print(text);
}

} // namespace

void add_presets(CLI::App& app, Context&) {
    auto options = std::make_shared<Options>();
    auto* presets =
        app.add_subcommand("presets", "List the presets and kits that come with Kitfold, or show one");
    presets->require_subcommand(0, 1);
    presets->footer("Examples:\n  kitfold presets list\n  kitfold presets show kick_out_thump\n"
                    "KITFOLD_PRESETS names a folder of presets to use in place of Kitfold's own.");
    add_json_flag(*presets, options->json);
    presets->callback([presets, options] {
        if (presets->get_subcommands().empty()) list(*options);
    });
    auto* lister = presets->add_subcommand("list", "Every preset: its block, name and title");
    add_json_flag(*lister, options->json);
    lister->callback([options] { list(*options); });
    auto* shower = presets->add_subcommand("show", "One preset: its settings in words and as JSON");
    shower->add_option("NAME", options->name, "A name that list shows")->required();
    add_json_flag(*shower, options->json);
    shower->callback([options] { show(*options); });
    auto* table =
        presets->add_subcommand("parameters", "Every number of a session: range, default and what it does");
    add_json_flag(*table, options->json);
    table->callback([options] { parameters(*options); });
}

} // namespace kitfold::offline
