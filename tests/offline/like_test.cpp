#include "files.h"
#include "offline/session/like.h"
#include "run_program.h"
#include "settings/settings_json.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Matchers::Contains;
using dsp::Role;
using Json = nlohmann::json; // the order of keys is a person's

namespace {

using Pairs = std::vector<std::pair<std::size_t, std::size_t>>;

Mic mic(const std::string& name, Role role) {
    Mic out;
    out.name = name, out.file = name + ".wav", out.role = out.mix.role = role;
    return out;
}

/// A take with everything set, and one of the same mics in another order with nothing set.
Session set_up(const std::filesystem::path& path) {
    Session session;
    session.path = path;
    session.mics = {mic("Kick", Role::kick_in), mic("Snare", Role::snare_top), mic("Tom", Role::rack_tom),
                    mic("Talk", Role::other)};
    double n = 1.0;
    for (auto& m : session.mics) {
        m.mix.level_db = -n, m.mix.pan = 0.1 * n, m.mix.delay_ms = 0.25 * n;
        m.mix.polarity = dsp::Polarity::inverted;
        m.balanced_db = -n;
        n += 1.0;
    }
    session.mics[0].filters.emplace().shelf_db = 6.0;
    session.mics[2].gate.emplace().key = dsp::GateKey::kit;
    session.sum.overhead_width = 0.7;
    session.bus.emplace().threshold_db = -21.0;
    session.output.level_db = 4.5, session.output.bits = 16.0;
    session.bleed.mics.resize(4);
    session.bleed.mics[2].known = true;
    session.bleed.bleed.push_back({1, 2, {}, {}});
    return session;
}

} // namespace

TEST_CASE("mics are matched by role and name, then by a role that is alone", "[like]") {
    const std::vector<MicLabel> here{
        {"Kick", Role::kick_in},  {"SN", Role::snare_top},  {"Talk", Role::other}, {"Ride", Role::ride},
        {"RT a", Role::rack_tom}, {"RT b", Role::rack_tom}, {"Amb", Role::other}};
    const std::vector<MicLabel> there{{"Amb", Role::room_mono}, {"Snare top", Role::snare_top},
                                      {"kick", Role::kick_in},  {"RT b", Role::rack_tom},
                                      {"RT c", Role::rack_tom}, {"talk", Role::other}};
    const auto matched = match_mics(here, there);
    // RT b by its name; then RT a and RT c are alone with their role
    CHECK(matched.pairs == Pairs{{0, 2}, {1, 1}, {2, 5}, {4, 4}, {5, 3}});
    REQUIRE(matched.notices.size() == 3);
    CHECK_THAT(matched.notices[0], Contains("Ride (ride) is not in the other session"));
    CHECK_THAT(matched.notices[1], Contains("Amb is other here and room_mono in the other session"));
    CHECK_THAT(matched.notices[2], Contains("Amb (room_mono) is in the other session only"));
}

TEST_CASE("a session takes over the sound of another, and its own files stay", "[like]") {
    const Folder folder;
    std::filesystem::create_directories(folder / "a"), std::filesystem::create_directories(folder / "b");
    const auto other = set_up(folder / "a/session.json");
    Session session;
    session.path = folder / "b/session.json", session.title = "Take 2";
    session.output.bits = 24.0;
    session.mics = {mic("Tom", Role::rack_tom), mic("Ride", Role::ride), mic("Snare top", Role::snare_top),
                    mic("Kick", Role::kick_in)};
    session.mics[1].mix.level_db = -7.0;
    session.mics[3].gate.emplace();
    const auto made = like(session, other).session;
    CHECK(made.like == "../a/session.json");
    CHECK((made.title == "Take 2" && made.output.bits == 24.0 && made.output.level_db == 4.5));
    CHECK((made.sum == other.sum && made.bus == other.bus));
    const std::size_t kThere[] = {2, 0, 1, 0}; // of each mic but the ride
    for (const std::size_t m : {0u, 2u, 3u}) {
        const auto& is = made.mics[m];
        const auto& from = other.mics[kThere[m]];
        CHECK((is.name == session.mics[m].name && is.file == session.mics[m].file));
        CHECK((is.mix == from.mix && is.filters == from.filters && is.gate == from.gate));
    }
    CHECK(made.mics[1].mix.level_db == -7.0);
    CHECK(made.bleed.mics.size() == 4);
    CHECK((made.bleed.mics[0].known && !made.bleed.mics[2].known));
    REQUIRE(made.bleed.bleed.size() == 1);
    CHECK((made.bleed.bleed[0].source == 2 && made.bleed.bleed[0].mic == 0));

    // into the file, as it stands, and back
    save_session(session, session.path);
    auto json = dsp::parse_json(bytes_of_file(session.path));
    json["room"]["temperature_c"] = 25.0;
    write_like(like(session, other), json);
    write_text(session.path, dsp::pretty(json));
    const auto read = load_session(session.path);
    CHECK(read.room.temperature_c == 25.0);
    auto expected = made;
    expected.room.temperature_c = 25.0;
    CHECK(to_json_text(read) == to_json_text(expected));
    CHECK(like(read, other).changes.empty()); // once is enough
}

TEST_CASE("two takes of one set-up get one sound, and check --apply levels neither", "[like][program]") {
    const Folder folder;
    const auto one = (folder / "one").string(), two = (folder / "two").string();
    for (const auto& take : {one, two}) {
        REQUIRE(
            run_program({"demo", take, "--seconds", "8", "--mics", "8", "--seed", take == one ? "3" : "4"})
                .exit_code == 0);
        std::filesystem::remove(take + "/session.json");
    }
    REQUIRE(run_program({"new", one}).exit_code == 0);
    REQUIRE(run_program({"balance", one, "--apply"}).exit_code == 0);
    const auto sound = Json::parse(bytes_of_file(one + "/session.json"));

    const auto made = run_program({"new", two, "--like", one});
    CHECK(made.err == "");
    CHECK_THAT(made.out, Contains("Settings are those of ../one/session.json"));
    const auto mics_of = [](const std::string& take) {
        return Json::parse(bytes_of_file(take + "/session.json"))["mics"];
    };
    CHECK(mics_of(two) == sound["mics"]);
    CHECK_THAT(run_program({"check", two, "--apply"}).out,
               Contains("Levels are those of ../one/session.json and stay"));
    for (std::size_t m = 0; m < mics_of(two).size(); ++m) {
        CHECK(mics_of(two)[m]["level_db"] == sound["mics"][m]["level_db"]);
        CHECK(mics_of(two)[m]["pan"] == sound["mics"][m]["pan"]);
    }
    // asked for, it levels this take alone, and can be brought back
    CHECK(run_program({"balance", two, "--apply"}).err == "");
    CHECK(!Json::parse(bytes_of_file(two + "/session.json")).contains("like"));
    const auto shown = run_program({"balance", two, "--like", one, "--json"});
    CHECK(Json::parse(shown.out)["changes"].size() > 3);
    const auto back = run_program({"balance", two, "--like", one, "--apply"});
    CHECK_THAT(back.out, Contains("Written into " + two));
    CHECK(mics_of(two) == sound["mics"]);
    CHECK_THAT(run_program({"balance", two, "--like", one, "--apply"}).out, Contains("needs no change"));

    const auto itself = run_program({"balance", two, "--like", two});
    CHECK((itself.exit_code == 2 && itself.err_lines() == 1));
}

TEST_CASE("a new take knows its mics by the files of the other one", "[like][new][program]") {
    const Folder folder;
    const auto one = folder / "one", two = folder / "two";
    const std::vector<std::pair<std::string, std::string>> kFiles{
        {"Track 01", "kick_in"}, {"Track 02", "snare_top"}, {"left over kit_7", "overhead_left"}};
    for (const auto& take : {one, two}) {
        std::filesystem::create_directories(take);
        for (const auto& [name, role] : kFiles)
            write_sound(take / (name + ".wav"), sine(100.0, 0.4, 0.1), SF_FORMAT_WAV | SF_FORMAT_PCM_16);
        write_sound(take / "OH R.wav", sine(100.0, 0.4, 0.1), SF_FORMAT_WAV | SF_FORMAT_PCM_16);
    }
    std::filesystem::rename(two / "left over kit_7.wav", two / "left over kit_12.wav"); // the next take
    std::vector<std::string> words{"new", one.string()};
    for (const auto& [name, role] : kFiles) words.insert(words.end(), {"--role", name + ".wav=" + role});
    REQUIRE(run_program(words).exit_code == 0);
    const auto run = run_program({"new", two.string(), "--like", one.string(), "--json"});
    CHECK(run.err == "");
    std::vector<std::pair<std::string, std::string>> found;
    const auto told = Json::parse(run.out);
    for (const auto& mic : told["mics"]) found.emplace_back(mic["file"], mic["role"]);
    const std::vector<std::pair<std::string, std::string>> expected{{"Track 01.wav", "kick_in"},
                                                                    {"Track 02.wav", "snare_top"},
                                                                    {"left over kit_12.wav", "overhead_left"},
                                                                    {"OH R.wav", "overhead_right"}};
    CHECK(found == expected);
}
