// A session that an earlier build wrote: tests/saved/session.json.
#include "files.h"
#include "offline/session/session.h"
#include "offline/util/text_file.h"
#include "settings/settings_json.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;

TEST_CASE("a session of an earlier build loads, and is written as it was", "[session]") {
    const std::filesystem::path file = KITFOLD_SOURCE_DIR "/tests/saved/session.json";
    const auto session = load_session(file);
    REQUIRE(session.mics.size() == 10);
    // what stands in the file, read by eye
    const auto& kick = session.mics[0];
    CHECK((kick.role == dsp::Role::kick_in && kick.mix.role == dsp::Role::kick_in));
    CHECK((kick.mix.polarity == dsp::Polarity::inverted && kick.mix.delay_ms == 1.9853));
    CHECK((kick.filters->high_pass_hz == 45.0 && kick.filters->high_pass_slope == dsp::Slope::db_12 &&
           kick.filters->box_db == -7.0));
    CHECK((kick.gate->key == dsp::GateKey::kit && kick.gate->threshold_db == -30.5));
    const auto& tom = session.mics[4];
    CHECK((tom.mix.polarity == dsp::Polarity::normal && tom.mix.pan == -0.2));
    CHECK(tom.gate->key_low_pass_hz == 400.0);
    CHECK((session.bus->key == dsp::GateKey::own && session.bus->threshold_db == -20.0));
    CHECK((session.sum.pan_law_db == dsp::PanLaw::db_3 && session.sum.room_width == 0.6));
    CHECK((session.bleed.mics[4].known && session.bleed.mics[4].level_db == 6.8));
    CHECK(session.notices.size() == 1);                                      // once, for all mics
    auto expected = dsp::Json::parse(read_text_file(file, dsp::kJsonBytes)); // but for the block's name
    for (auto& mic : expected["mics"])
        if (mic.contains("kick")) mic["filters"] = mic["kick"], mic.erase("kick");
    using Unordered = nlohmann::json; // the block stands where it stood, by its new name
    CHECK(Unordered(dsp::parse_json(to_json_text(session))) == Unordered(expected));
}

TEST_CASE("the filters under both their names are refused", "[session]") {
    auto json =
        dsp::Json::parse(read_text_file(KITFOLD_SOURCE_DIR "/tests/saved/session.json", dsp::kJsonBytes));
    json["mics"][0]["filters"] = dsp::Json::object();
    const kitfold::test::Folder folder;
    kitfold::test::write_text(folder / "session.json", json.dump());
    CHECK_THROWS_WITH(load_session(folder.path()), Catch::Matchers::Contains("filters stands beside kick"));
}
