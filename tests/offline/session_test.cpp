#include "offline/files.h"
#include "offline/session/session.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using Catch::Contains;
using kitfold::test::Folder;
using kitfold::test::write_text;

namespace {

/// The example of the session format, every block in it.
constexpr const char* kExample = R"({
  "kitfold_session": 1, "title": "Monday", "room": {"temperature_c": 18},
  "mics": [
    { "name": "Kick out", "role": "kick_out", "file": "kick_out.wav", "channel": 1,
      "level_db": -3, "pan": 0, "polarity": "inverted", "delay_ms": 0.437, "mute": false,
      "filters": {"high_pass_hz": 35, "high_pass_slope": 24, "shelf_hz": 80, "shelf_db": 6, "shelf_slope": 0.7,
               "box_hz": 400, "box_db": 0, "box_q": 1, "bleed_cut_hz": 20000, "bleed_cut_slope": 0, "level_db": 0},
      "gate": {"threshold_db": -30, "hysteresis_db": 4, "attack_ms": 0.5, "hold_ms": 60, "release_ms": 200,
               "range_db": "-inf", "lookahead_ms": 0, "key": "own", "key_high_pass_hz": 0, "key_low_pass_hz": 0},
      "damp": {"amount": 0.5, "bands": [{"hz": 180, "q": 8, "ring_ms": 250}], "high_db_per_s": 0, "tail_db_per_s": 0} },
    { "name": "Overhead", "role": "overhead_mono", "file": "other place/oh.flac", "level_db": "-inf" } ],
  "sum": {"pan_law_db": -4.5, "overhead_width": 0.5, "room_width": 1.0},
  "bus": {"threshold_db": -18, "ratio": "limit", "knee_db": 6, "attack_ms": 30, "release_ms": "programme",
          "key_high_pass_hz": 80, "makeup_db": 0, "blend": 1.0},
  "output": {"level_db": 0, "bits": 24, "dither": true} })";

Session loaded(const std::string& text) {
    Folder folder;
    write_text(folder / "session.json", text);
    return load_session(folder.path());
}

std::string refused(const std::string& text) {
    Folder folder;
    const auto file = folder / "session.json";
    write_text(file, text);
    try {
        load_session(file);
    } catch (const Error& error) {
        CHECK(error.code() == Exit::bad_input);
        const std::string line = error.what();
        CHECK_THAT(line, Catch::StartsWith(file.string() + ": "));
        CHECK(line.find('\n') == std::string::npos);
        return line.substr(file.string().size() + 2);
    }
    return "accepted";
}

/// One mic with what is given put into it, and more at the top.
std::string with(const std::string& in_mic, const std::string& at_top = "") {
    return R"({"kitfold_session": 1, "mics": [{"name": "Tom", "file": "tom.wav")" + in_mic + "}]" + at_top +
           "}";
}

} // namespace

TEST_CASE("a session reads as its format says", "[session]") {
    const auto session = loaded(kExample);
    CHECK(session.title == "Monday");
    CHECK(session.room.temperature_c == 18.0);
    REQUIRE(session.mics.size() == 2);
    const auto& kick = session.mics[0];
    CHECK(kick.name == "Kick out");
    CHECK(kick.role == dsp::Role::kick_out);
    CHECK(kick.file == "kick_out.wav");
    CHECK(kick.mix.level_db == -3.0);
    CHECK(kick.mix.polarity == dsp::Polarity::inverted);
    CHECK(kick.mix.delay_ms == 0.437);
    REQUIRE((kick.filters && kick.gate && kick.damp));
    CHECK(kick.gate->range_db == dsp::kOffDb);
    CHECK(kick.damp->band_count == 1);
    CHECK(kick.damp->bands[0].ring_ms == 250.0);
    const auto& overhead = session.mics[1];
    CHECK(overhead.channel == 1);
    CHECK(overhead.mix.level_db == dsp::kOffDb);
    CHECK_FALSE((overhead.filters || overhead.gate || overhead.damp));
    CHECK(audio_path(session, overhead) == session.path.parent_path() / "other place/oh.flac");
    CHECK(session.sum.pan_law_db == dsp::PanLaw::db_4_5);
    REQUIRE(session.bus);
    CHECK(session.bus->ratio == dsp::kLimitRatio);
    CHECK(session.bus->release_ms == dsp::kProgrammeRelease);
}

TEST_CASE("a session is written as it was read", "[session]") {
    Folder folder;
    const auto first = loaded(kExample);
    save_session(first, folder / "session.json");
    CHECK(entries_in(folder) == 1); // nothing is left beside it
    const auto again = load_session(folder.path());
    CHECK(to_json_text(again) == to_json_text(first));
    CHECK(again.mics[0].gate == first.mics[0].gate);
    CHECK(again.mics[0].damp == first.mics[0].damp);
    CHECK(again.mics[0].mix == first.mics[0].mix);
    CHECK(again.bus == first.bus);
    const auto short_one = loaded(with(""));
    CHECK_FALSE(short_one.bus);
    CHECK(to_json_text(short_one).find("\"bus\"") == std::string::npos); // left out stays left out
}

TEST_CASE("audio paths are relative to the session, or absolute", "[session]") {
    auto session = loaded(with(""));
    session.path = "/takes/monday/session.json";
    CHECK(audio_path(session, session.mics[0]) == "/takes/monday/tom.wav");
    session.mics[0].file = "/elsewhere/tom.wav";
    CHECK(audio_path(session, session.mics[0]) == "/elsewhere/tom.wav");
    session.path = "session.json";
    session.mics[0].file = "tom.wav";
    CHECK(audio_path(session, session.mics[0]) == "tom.wav");
}

TEST_CASE("what is wrong in a session is said in one line", "[session]") {
    const auto table = std::vector<std::pair<std::string, std::string>>{
        {"", "not valid JSON at line 1, column 1"},
        {"{\"kitfold_session\": 1,\n  \"mics\": [}", "not valid JSON at line 2, column 12"},
        {"[]", "the whole is a list, but must be an object"},
        {"{}", "kitfold_session is missing"},
        {R"({"kitfold_session": 1})", "mics is missing"},
        {R"({"kitfold_session": 2, "mics": [], "new": 1})",
         "kitfold_session is 2, which a later Kitfold wrote"},
        {R"({"kitfold_session": 0, "mics": []})", "kitfold_session is 0, but must be 1"},
        {R"({"kitfold_session": "1", "mics": []})", "kitfold_session is \"1\", but must be 1"},
        {R"({"kitfold_session": 1.5, "mics": []})", "kitfold_session is 1.5, but must be 1"},
        {R"({"kitfold_session": 1, "mics": []})", "mics has 0 entries, but must have 1 to 32"},
        {R"({"kitfold_session": 1, "mics": {}})", "mics is an object, but must be a list"},
        {R"({"kitfold_session": 1, "mics": [3]})", "mics[0] is 3, but must be an object"},
        {R"({"kitfold_session": 1, "mics": [{"file": "a.wav"}]})", "mics[0].name is missing"},
        {R"({"kitfold_session": 1, "mics": [{"name": "A"}]})", "mics[0].file is missing"},
        {R"({"kitfold_session": 1, "mics": [{"name": " ", "file": "a.wav"}]})", "mics[0].name is empty"},
        {R"({"kitfold_session": 1, "mics": [{"name": "A\nB", "file": "a.wav"}]})",
         "mics[0].name is \"A\\nB\""},
        {R"({"kitfold_session": 1, "mics": [{"name": "A", "file": ""}]})", "mics[0].file is empty"},
        {R"({"kitfold_session": 1, "mics": [{"name": "A", "file": 7}]})",
         "mics[0].file is 7, but must be the name"},
        {R"({"kitfold_session": 1, "mics": [{"name": "A", "file": "a"}, {"name": "a", "file": "b"}]})",
         "mics[1].name is \"a\", as is mics[0].name"},
        {with("", R"(, "titel": "x")"), "titel is not a known key; did you mean title?"},
        {with("", R"(, "title": 5)"), "title is 5, but must be one line of text"},
        {with("", R"(, "room": {"temperature_c": 80})"),
         "room.temperature_c is 80, but must be a number from -20 to 50"},
        {with("", R"(, "sum": {"pan_law_db": -2})"),
         "sum.pan_law_db is -2, but must be one of 0, -3, -4.5, -6"},
        {with("", R"(, "bus": null)"), "bus is null, but must be an object"},
        {with("", R"(, "bus": {"key": "side_chain"})"), "bus.key is \"side_chain\", but only a host has one"},
        {with("", R"(, "output": {"bits": 20})"), "output.bits is 20, but must be one of 16, 24, 32"},
        {with("", R"(, "output": {"dither": 1})"), "output.dither is 1, but must be true or false"},
        {with(R"(, "gain_db": 1)"), "mics[0].gain_db is not a known key"},
        {with(R"(, "levle_db": 1)"), "mics[0].levle_db is not a known key; did you mean level_db?"},
        {with(R"(, "level_db": 13)"),
         "mics[0].level_db is 13, but must be a number from -90 to 12 (dB) or \"-inf\""},
        {with(R"(, "level_db": "0")"), "mics[0].level_db is \"0\""},
        {with(R"(, "role": "rack_tom", "bleed_reduction_db": -3)"),
         "mics[0].bleed_reduction_db is -3, but must be a number from 0 to 30 (dB)"},
        {with(R"(, "role": "room_mono", "bleed_reduction_db": 6)"),
         "mics[0].bleed_reduction_db is 6, but must be 0 or left out: only the close mic of a drum has "
         "bleed"},
        {with(R"(, "role": "snaretop")"),
         "mics[0].role is \"snaretop\", which is not known; did you mean \"snare_top\"?"},
        {with(R"(, "role": "bongo")"), "mics[0].role is \"bongo\", but must be one of \"kick_in\""},
        {with(R"(, "channel": 0)"),
         "mics[0].channel is 0, but must be a channel of the file, counted from 1"},
        {with(R"(, "channel": 1.5)"), "mics[0].channel is 1.5"},
        {with(R"(, "channel": 1e300)"), "mics[0].channel is 1e+300"},
        {with(R"(, "gate": {"threshold": -30})"),
         "mics[0].gate.threshold is not a known key; did you mean threshold_db?"},
        {with(R"(, "gate": {"attack_ms": 0})"),
         "mics[0].gate.attack_ms is 0, but must be a number from 0.02 to 50 (ms)"},
        {with(R"(, "gate": {"key": "side_chain"})"), "it must be \"own\" or \"kit\" (mic \"Tom\")"},
        {with(R"(, "damp": {"bands": [{"hz": 1}]})"), "mics[0].damp.bands[0].hz is 1"},
        {with(R"(, "mute": false, "mute": true)"), "the key \"mute\" is there twice"},
        {std::string(1'000'000, '['), "nested deeper than 32 levels"},
        {"{\"kitfold_session\": 1, \"title\": \"" + std::string(17u << 20, 'x') + "\"}",
         "longer than 16 MiB"},
    };
    for (const auto& [text, expected] : table) {
        INFO(text.substr(0, 200));
        CHECK_THAT(refused(text), Contains(expected));
    }
}

TEST_CASE("1 to 32 mics", "[session]") {
    const auto mics = [](int count) {
        std::string out = R"({"kitfold_session": 1, "mics": [)";
        for (int i = 0; i < count; ++i)
            out += (i == 0 ? "" : ", ") + (R"({"name": "m)" + std::to_string(i)) + R"(", "file": "a.wav"})";
        return out + "]}";
    };
    CHECK(loaded(mics(32)).mics.size() == 32);
    CHECK_THAT(refused(mics(33)), Contains("mics has 33 entries, but must have 1 to 32"));
}

TEST_CASE("a session that is not there", "[session]") {
    Folder folder;
    CHECK_THROWS_WITH(load_session(folder.path()), Contains("no session.json in this folder; kitfold new"));
    CHECK_THROWS_WITH(load_session(folder / "x.json"), Contains("no such file"));
    std::filesystem::create_directory(folder / "session.json");
    CHECK_THROWS_WITH(load_session(folder.path()), Contains("is a folder, not a file"));
}
