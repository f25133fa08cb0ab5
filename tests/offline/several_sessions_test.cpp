// Several songs of one recording: several session files beside it.
#include "files.h"
#include "run_program.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold::test;
using Catch::Matchers::Contains;

TEST_CASE("a command names one of several sessions in a folder", "[new][session][program]") {
    const Folder folder;
    const auto take = (folder / "monday").string();
    REQUIRE(run_program({"demo", take, "--seconds", "4", "--mics", "8"}).exit_code == 0);
    std::filesystem::remove(folder / "monday/session.json");
    const auto song1 = take + "/song1.json", song2 = take + "/song2.json";
    CHECK_THAT(run_program({"bounce", take, "-o", (folder / "o.wav").string()}).err, Contains("kitfold new"));
    for (const auto& song : {song1, song2}) {
        const auto run = run_program({"new", take, "-o", song});
        CHECK(run.err == "");
        CHECK_THAT(run.out, Contains("Wrote " + song) && Contains("kitfold check " + song));
    }
    const auto twice = run_program({"new", take, "-o", song1});
    CHECK((twice.exit_code == 2 && twice.err_lines() == 1));

    const auto which = run_program({"check", take});
    CHECK((which.exit_code == 2 && which.err_lines() == 1));
    CHECK_THAT(which.err,
               Contains("no session.json in this folder, but song1.json, song2.json; name the file, "
                        "such as " +
                        song1));

    // backups and recall sheets stand beside their own session or submix, and are no sessions
    write_text(song2, bytes_of_file(song2) + "\n");
    CHECK(run_program({"balance", song2, "--apply"}).err == "");
    CHECK(std::filesystem::exists(folder / "monday/song2.backup.json"));
    CHECK(!std::filesystem::exists(folder / "monday/song1.backup.json"));
    CHECK(run_program({"bounce", song1, "-o", take + "/song1.wav"}).err == "");
    CHECK_THAT(run_program({"check", take}).err, Contains("but song1.json, song2.json; name"));

    // the submix of one song is not written over by another
    const auto over = run_program({"bounce", song2, "-o", take + "/song1.wav"});
    CHECK((over.exit_code == 2 && over.err_lines() == 1));
    CHECK_THAT(over.err, Contains("a submix of " + song1));
}

TEST_CASE("a session stands beside its recordings and has a session's name", "[new][program]") {
    const Folder folder;
    const auto take = (folder / "monday").string();
    REQUIRE(run_program({"demo", take, "--seconds", "0.2", "--mics", "8"}).exit_code == 0);
    const auto before = entries_in(folder);
    for (const std::string name :
         {"song2.json", "monday/song2", "monday/song2.backup.json", "monday/song2.backup-3.json",
          "monday/drums.recall.json", "nowhere/song2.json"}) {
        const auto run = run_program({"new", take, "-o", (folder / name).string()});
        CHECK((run.exit_code == 2 && run.err_lines() == 1));
        CHECK_THAT(run.err, Contains("would be right"));
    }
    CHECK(entries_in(folder) == before);
}
