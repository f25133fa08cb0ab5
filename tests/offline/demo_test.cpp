#include "offline/demo/demo.h"
#include "offline/files.h"
#include "offline/run_program.h"
#include "offline/session/session.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using namespace kitfold::test;
using Catch::Contains;
using nlohmann::json;

namespace {

ProgramRun demo(const Folder& folder, std::vector<std::string> more = {}) {
    std::vector<std::string> arguments{"demo", folder.path().string(), "--seconds", "4"};
    arguments.insert(arguments.end(), more.begin(), more.end());
    return run_program(arguments);
}

json truth_of(const Folder& folder) { return json::parse(bytes_of_file(folder / "truth.json")); }

} // namespace

TEST_CASE("a demo is ten mics, a session that opens and the truth", "[demo]") {
    Folder folder;
    REQUIRE(demo(folder).exit_code == 0);
    CHECK(entries_in(folder) == 12);
    const auto session = load_session(folder.path());
    REQUIRE(session.mics.size() == 10);
    for (const auto& mic : session.mics) {
        INFO(mic.name);
        SF_INFO info{};
        const auto samples = read_sound(audio_path(session, mic), &info);
        CHECK(info.samplerate == 48'000);
        CHECK(info.format == (SF_FORMAT_WAV | SF_FORMAT_PCM_24));
        CHECK(info.frames == 4 * 48'000);
        CHECK((mic.mix.polarity == dsp::Polarity::normal &&
               mic.mix.delay_ms == 0.0)); // left for the check to find
    }
    const auto truth = truth_of(folder);
    CHECK(truth["mics"].size() == 10);
    CHECK(truth["drums"].size() == 7);
    CHECK(truth["paths"].size() == 70);
    CHECK(truth["image"].size() == 7);
    CHECK(truth["hits"].size() > 15);
    CHECK(truth["bleed"].size() % 10 == 0);
}

TEST_CASE("the same seed writes the same bytes, and a demo may be made over a former one", "[demo]") {
    Folder first, second;
    REQUIRE(demo(first, {"--seed", "9"}).exit_code == 0);
    REQUIRE(demo(second).exit_code == 0);
    CHECK(bytes_of_file(first / "snare_top.wav") != bytes_of_file(second / "snare_top.wav"));
    REQUIRE(demo(second, {"--seed", "9"}).exit_code == 0);
    for (const auto* name :
         {"snare_top.wav", "room_mono.wav", "overhead_left.wav", "session.json", "truth.json"})
        CHECK(bytes_of_file(first / name) == bytes_of_file(second / name));
    write_text(first / "notes.txt", "mine");
    REQUIRE(demo(first, {"--mics", "8"}).exit_code == 0);
    CHECK(entries_in(first) == 11); // no hi-hat and room of the former one, and nobody's notes are touched
    CHECK(bytes_of_file(first / "notes.txt") == "mine");
}

TEST_CASE("tone, mics and rate are what was asked for, the performance stays", "[demo]") {
    Folder open, deadened;
    REQUIRE(demo(open).exit_code == 0);
    REQUIRE(demo(deadened, {"--tone", "deadened", "--mics", "8", "--rate", "44100"}).exit_code == 0);
    CHECK(entries_in(deadened) == 10);
    SF_INFO info{};
    read_sound(deadened / "kick_in.wav", &info);
    CHECK(info.samplerate == 44'100);
    const auto a = truth_of(open), b = truth_of(deadened);
    CHECK(a["hits"] == b["hits"]);
    for (std::size_t d = 0; d < 4; ++d) { // kick, snare, toms
        CHECK(b["drums"][d]["ring_ms"] < 0.6 * a["drums"][d]["ring_ms"].get<double>());
        for (std::size_t p = 0; p < a["drums"][d]["partials"].size(); ++p) {
            const auto &before = a["drums"][d]["partials"][p], &after = b["drums"][d]["partials"][p];
            CHECK(before["deadened_ring_ms"] == after["ring_ms"]);
            CHECK(after["open_ring_ms"] == before["ring_ms"]);
            // T60 = 6.908 / alpha on both sides
            CHECK(6907.755 / after["ring_ms"].get<double>() - 6907.755 / before["ring_ms"].get<double>() ==
                  Approx(before["delta_alpha_per_s"].get<double>()).epsilon(0).margin(1e-3));
        }
    }
}

TEST_CASE("a demo never writes over somebody's recording", "[demo]") {
    Folder folder;
    write_text(folder / "kick_in.wav", "the only take");
    const auto run = demo(folder);
    CHECK(run.exit_code == 2);
    CHECK(run.err_lines() == 1);
    CHECK_THAT(run.err, Contains("kick_in.wav") && Contains("another folder"));
    CHECK(bytes_of_file(folder / "kick_in.wav") == "the only take");
    CHECK(entries_in(folder) == 1);
}

TEST_CASE("a demo refuses what it can't do, and writes nothing", "[demo]") {
    Folder folder;
    for (const std::vector<std::string>& wrong : {std::vector<std::string>{"--mics", "9"},
                                                  {"--tone", "wet"},
                                                  {"--rate", "5"},
                                                  {"--seconds", "0"},
                                                  {"--seconds", "nan"},
                                                  {"--seed", "-1"}}) {
        const auto run = demo(folder, wrong);
        INFO(run.err);
        CHECK(run.exit_code == 2);
        CHECK(run.err_lines() == 1);
        CHECK_THAT(run.err, Contains(wrong[0]));
    }
    CHECK(entries_in(folder) == 0);
    write_text(folder / "file", "");
    const auto run = run_program({"demo", (folder / "file").string()});
    CHECK(run.exit_code == 2);
    CHECK_THAT(run.err, Contains("must be a folder"));
}
