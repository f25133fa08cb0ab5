// Balance on the simulated kit: what it reaches is measured in each drum's own rendering through the strips.
#include "offline/balance/balance.h"
#include "offline/util/errors.h"
#include "files.h"
#include "run_program.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;

namespace {

const std::filesystem::path kPresets = KITFOLD_SOURCE_DIR "/presets";

dsp::Json json_of(const std::vector<std::string>& arguments) {
    const auto run = run_program(arguments);
    INFO(run.err);
    REQUIRE(run.exit_code == 0);
    return dsp::parse_json(run.out);
}

} // namespace

TEST_CASE("balance brings what has a mic to its part, and again changes nothing", "[balance]") {
    Folder folder;
    const auto take = (folder / "take").string();
    REQUIRE(run_program({"demo", take, "--seconds", "30"}).exit_code == 0);
    const auto first = json_of({"balance", take, "--apply", "--json"});
    for (const auto& drum : first["drums"]) {
        INFO(drum.dump());
        if (drum["drum"] != "cymbals" && drum["drum"] != "ride") // without a mic of their own
            CHECK(std::abs(drum["got_db"].get<double>() - drum["wanted_db"].get<double>()) < 1.0);
    }
    const auto text = bytes_of_file(folder / "take" / "session.json");
    const auto again = json_of({"balance", take, "--apply", "--json"});
    CHECK(bytes_of_file(folder / "take" / "session.json") == text);
    CHECK(again["mics"].size() == first["mics"].size());
    // the bounce is what was promised: never over -1 dBTP
    const auto bounced = json_of({"bounce", take, "-o", (folder / "out.wav").string(), "--json"});
    CHECK(bounced["true_peak_dbtp"].get<double>() <= -1.0 + 0.05); // dither and the rounding of 24 bits
    CHECK(bounced["clipped_samples"] == 0);
    CHECK(bounced["loudness_lufs"].get<double>() ==
          Approx(first["output"]["loudness_lufs"].get<double>()).margin(0.05));
}

TEST_CASE("a level that a person has set is kept and said", "[balance]") {
    Folder folder;
    const auto take = (folder / "take").string();
    REQUIRE(run_program({"demo", take, "--seconds", "12"}).exit_code == 0);
    auto session = load_session(folder / "take");
    session.mics[2].mix.level_db = -7.3;
    save_session(session, session.path);
    const auto result = json_of({"balance", take, "--apply", "--json"});
    CHECK(result["mics"][2]["level_db"] == -7.3);
    CHECK(result["mics"][2]["note"] == "set by you: kept");
    CHECK(load_session(folder / "take").mics[2].mix.level_db == -7.3);
    CHECK(load_session(folder / "take").mics[0].balanced_db.has_value());
}

TEST_CASE("the other side mirrors the pans, and back", "[balance]") {
    Folder folder;
    const auto take = (folder / "take").string();
    REQUIRE(run_program({"demo", take, "--seconds", "12"}).exit_code == 0);
    const auto before = load_session(folder / "take");
    REQUIRE(run_program({"balance", take, "--side", "listener", "--apply"}).exit_code == 0);
    const auto mirrored = load_session(folder / "take");
    for (std::size_t m = 0; m < before.mics.size(); ++m)
        CHECK(mirrored.mics[m].mix.pan == -before.mics[m].mix.pan);
    REQUIRE(run_program({"balance", take, "--side", "drummer", "--apply"}).exit_code == 0);
    const auto back = load_session(folder / "take");
    for (std::size_t m = 0; m < before.mics.size(); ++m)
        CHECK(back.mics[m].mix.pan == before.mics[m].mix.pan);
}

TEST_CASE("balance refuses what is no balance", "[balance]") {
    const auto presets = load_presets(kPresets);
    const auto refused = [&](const std::string& balance, const std::string& side) {
        try {
            (void)balance_wish(balance, side, presets);
        } catch (const Error& error) {
            return error.code() == Exit::bad_input;
        }
        return false;
    };
    CHECK(refused("bus_gentle", ""));
    CHECK(refused("nothing", ""));
    CHECK(refused("nowhere/mine.json", ""));
    CHECK(refused("", "left"));
    CHECK_FALSE(refused("balance_kit", "listener"));
}
