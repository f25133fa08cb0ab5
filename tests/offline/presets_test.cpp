#include "offline/files.h"
#include "offline/run_program.h"
#include "offline/session/presets.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>
#include <set>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Contains;

namespace {

const std::filesystem::path kPresets = KITFOLD_SOURCE_DIR "/presets";

void check_in_range(const PresetContent& content) {
    std::visit(
        []<class Content>(const Content& c) {
            if constexpr (std::is_same_v<Content, Session>)
                for (const auto& mic : c.mics) CHECK(dsp::first_refused(mic.mix) == nullptr);
            else
                CHECK(dsp::first_refused(c) == nullptr);
        },
        content);
}

std::string refused(const Folder& folder) {
    try {
        load_presets(folder.path());
    } catch (const Error& error) {
        CHECK(error.code() == Exit::bad_input);
        return error.what();
    }
    return "accepted";
}

} // namespace

TEST_CASE("every preset that ships loads, says what it is for and is in range", "[presets]") {
    const auto presets = load_presets(kPresets);
    std::set<std::string> kinds;
    for (const auto& preset : presets) {
        INFO(preset.name);
        kinds.insert(preset.kind);
        CHECK(preset.title.size() > 3);
        CHECK(preset.about.size() > 20);
        CHECK(preset.about.find('\n') == std::string::npos);
        check_in_range(preset.content);
    }
    for (const auto* kind : {"filters", "gate", "damp", "bus", "kit"}) CHECK(kinds.count(kind) == 1);
    std::size_t files = 0;
    for (const auto& entry : std::filesystem::recursive_directory_iterator(kPresets))
        files += entry.is_regular_file() ? 1u : 0u;
    CHECK(presets.size() == files); // none lies in a folder that nobody reads
}

TEST_CASE("a shipped preset survives being shown and read again", "[presets]") {
    Folder folder;
    const auto presets = load_presets(kPresets);
    for (const auto& preset : presets) {
        std::filesystem::create_directories(folder / preset.kind);
        write_text(folder / preset.kind / (preset.name + ".json"), dsp::pretty(to_json(preset)));
    }
    const auto again = load_presets(folder.path());
    REQUIRE(again.size() == presets.size());
    for (std::size_t i = 0; i < presets.size(); ++i) CHECK(to_json(again[i]) == to_json(presets[i]));
}

TEST_CASE("the kits are drum kits as the trade sets them up", "[presets]") {
    const auto presets = load_presets(kPresets);
    const auto kit = [&](const char* name) { return std::get<Session>(find_preset(presets, name).content); };
    CHECK(kit("kit_four").mics.size() == 4);
    CHECK(kit("kit_eight").mics.size() == 8);
    CHECK(kit("kit_ten").mics.size() == 10);
    for (const auto* name : {"kit_four", "kit_eight", "kit_ten", "kit_full"})
        for (const auto& mic : kit(name).mics) {
            INFO(name << " " << dsp::token(mic.role));
            if (mic.role <= dsp::Role::snare_bottom)
                CHECK(mic.mix.pan == 0.0); // kick and snare sit in the middle
            CHECK(mic.mix.polarity ==
                  (mic.role == dsp::Role::snare_bottom ? dsp::Polarity::inverted : dsp::Polarity::normal));
            if (mic.role == dsp::Role::overhead_left) CHECK(mic.mix.pan < 0.0);
            if (mic.role == dsp::Role::overhead_right) CHECK(mic.mix.pan > 0.0);
            CHECK(std::abs(mic.mix.pan) <= 0.75); // narrow
        }
}

TEST_CASE("presets and kits that call the filters \"kick\", as earlier builds did, still load", "[presets]") {
    Folder folder;
    for (const auto* kind : {"kick", "kit"}) std::filesystem::create_directory(folder / kind);
    write_text(folder / "kick/mine.json",
               R"({"kitfold_preset": 1, "title": "a", "about": "b", "kick": {"shelf_db": 5}})");
    write_text(
        folder / "kit/mine_too.json",
        R"({"kitfold_template": 1, "title": "a", "about": "b", "mics": [{"role": "ride", "kick": "mine"}]})");
    const auto presets = load_presets(folder.path());
    CHECK(find_preset(presets, "mine").kind == "filters");
    CHECK(to_json(find_preset(presets, "mine"))["filters"]["shelf_db"] == 5);
    const auto& kit = std::get<Session>(find_preset(presets, "mine_too").content);
    CHECK(kit.mics[0].filters->shelf_db == 5.0);
}

TEST_CASE("what is wrong in a preset is said with its file", "[presets]") {
    Folder folder;
    for (const auto* kind : {"filters", "kit", "bus"}) std::filesystem::create_directory(folder / kind);
    const auto file = folder / "filters/mine.json";
    const auto kit = folder / "kit/mine_too.json";
    write_text(file, R"({"kitfold_preset": 1, "title": "a", "about": "b", "filters": {"shelf_db": 20}})");
    CHECK_THAT(refused(folder), Contains("filters/mine.json: filters.shelf_db is 20, but must be"));
    write_text(file, R"({"kitfold_preset": 1, "title": "a", "about": "b", "gate": {}})");
    CHECK_THAT(refused(folder), Contains("gate is not a known key"));
    write_text(file, R"({"kitfold_preset": 2, "title": "a", "about": "b", "filters": {}})");
    CHECK_THAT(refused(folder), Contains("kitfold_preset must be there, and be 1"));
    write_text(file, R"({"kitfold_preset": 1, "title": "a", "about": "b"})");
    CHECK_THAT(refused(folder), Contains("filters is missing"));
    write_text(file, R"({"kitfold_preset": 1, "title": "a", "filters": {}})");
    CHECK_THAT(refused(folder), Contains("about is missing"));
    write_text(file, "x");
    CHECK_THAT(refused(folder), Contains("not valid JSON at line 1, column 1"));
    write_text(file, R"({"kitfold_preset": 1, "title": "a", "about": "b", "filters": {}})");
    CHECK(refused(folder) == "accepted");
    write_text(
        kit,
        R"({"kitfold_template": 1, "title": "a", "about": "b", "mics": [{"role": "ride", "filters": "mien"}]})");
    CHECK_THAT(
        refused(folder),
        Contains("mics[0].filters is \"mien\", but must be an object or the name of a filters preset"));
    write_text(
        kit,
        R"({"kitfold_template": 1, "title": "a", "about": "b", "mics": [{"role": "ride", "gate": "mine"}]})");
    CHECK_THAT(refused(folder), Contains("mics[0].gate is \"mine\", but")); // a preset, but of another block
    write_text(
        kit,
        R"({"kitfold_template": 1, "title": "a", "about": "b", "mics": [{"role": "ride", "filters": "mine"}]})");
    CHECK(refused(folder) == "accepted");
    write_text(folder / "bus/mine.json", R"({"kitfold_preset": 1, "title": "a", "about": "b", "bus": {}})");
    CHECK_THAT(refused(folder), Contains("another preset has this name"));
}

TEST_CASE("kitfold presets lists and shows", "[presets][program]") {
    const auto bare = run_program({"presets"}), listed = run_program({"presets", "list"});
    CHECK(bare.exit_code == 0);
    CHECK(bare.out == listed.out);
    CHECK(bare.err.empty());
    CHECK_THAT(listed.out, Contains("kick_out_thump"));
    const auto list = dsp::Json::parse(run_program({"presets", "list", "--json"}).out);
    CHECK(list["presets"].size() == load_presets(kPresets).size());
    for (const auto& preset : list["presets"]) {
        const auto name = preset["name"].get<std::string>();
        const auto shown = run_program({"presets", "show", name, "--json"});
        INFO(name);
        CHECK(shown.exit_code == 0);
        CHECK(dsp::Json::parse(shown.out)["title"] == preset["title"]);
    }
    const auto words = run_program({"presets", "show", "bus_firm"});
    CHECK_THAT(words.out, Contains("Threshold") && Contains("-23.0 dB") && Contains("\"threshold_db\": -23"));
}

TEST_CASE("kitfold presets refuses in one line", "[presets][program]") {
    const auto unknown = run_program({"presets", "show", "kick_thump"});
    CHECK(unknown.exit_code == 2);
    CHECK(unknown.err_lines() == 1);
    CHECK_THAT(unknown.err, Contains("no preset \"kick_thump\"; kitfold presets list shows"));
    CHECK_THAT(run_program({"presets", "show", "kick_out_tump"}).err,
               Contains("did you mean kick_out_thump?"));
    const auto nowhere = run_program({"presets", "list", "--json"}, {"KITFOLD_PRESETS=/nowhere"});
    CHECK(nowhere.exit_code == 2);
    CHECK(nowhere.out.empty());
    CHECK(nowhere.err == "kitfold: KITFOLD_PRESETS is /nowhere, but must be a folder of presets\n");
    CHECK(run_program({"presets", "show"}).exit_code == 2);
    CHECK(run_program({"presets", "list", "more"}).exit_code == 2);
}

TEST_CASE("presets parameters shows every number with its range", "[offline]") {
    const auto shown = run_program({"presets", "parameters"});
    REQUIRE(shown.exit_code == 0);
    // three rows of the design's list of blocks, typed by hand
    CHECK_THAT(shown.out, Catch::Matchers::Contains("a number from -12 to 18 (dB)"));
    CHECK_THAT(shown.out, Catch::Matchers::Contains("one of 0, -3, -4.5, -6"));
    CHECK_THAT(shown.out, Catch::Matchers::Contains("a number from 5 to 4000 (ms)"));
    for (const char* block : {"mic", "filters", "gate", "damp", "band", "sum", "bus", "output", "room"})
        CHECK_THAT(shown.out, Catch::Matchers::Contains("\n\"" + std::string(block) + "\"\n"));
}
