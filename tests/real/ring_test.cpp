// How long real drums ring, against scipy on their isolated strokes, and what Damp then does to them. Takes
// of seeds that nothing else looks at.
#include "real_take.h"
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::test;

namespace {

/// Early decay of each drum's strokes, each by itself: reference/early_decay.py.
Json early_decays(const RealTake& take) {
    const auto said = take.path("early_decay.json");
    const std::string command = "/usr/bin/python3 '" KITFOLD_SOURCE_DIR
                                "/tests/reference/early_decay.py' '" KITFOLD_REAL_HITS "' '" +
                                take.path() + "' >'" + said + "'";
    INFO(command);
    REQUIRE(std::system(command.c_str()) == 0);
    return Json::parse(bytes_of_file(said));
}

std::optional<double> ring_ms(const Json& check, const std::string& drum) {
    for (const auto& r : check.at("rings"))
        if (r.at("drum") == drum && !r.at("ring_ms").is_null()) return r.at("ring_ms").get<double>();
    return {};
}

/// Judged in all but `open` of the takes at most, and within 10 % there.
void check_same_ring(const std::vector<std::string>& takes, const std::string& drum, std::size_t open) {
    std::vector<double> all;
    for (const auto& words : takes)
        if (const auto ms = ring_ms(RealTake(words).check(), drum)) all.push_back(*ms);
    CAPTURE(drum, all);
    CHECK(all.size() + open >= takes.size());
    const auto [least, most] = std::minmax_element(all.begin(), all.end());
    if (!all.empty()) CHECK(*most <= 1.1 * *least);
}

} // namespace

TEST_CASE("drums of a real line check ring as long as scipy says of each stroke alone", "[real]") {
    if (no_recordings()) return;
    // strokes of one drum may differ so much in strength that it has no one figure: once in five
    std::size_t judged = 0;
    for (const std::string words : {"--kind line_check --seed 71 --seconds 45 --bpm 60",
                                    "--kind line_check --seed 72 --seconds 45 --bpm 60 --rate 96000",
                                    "--kit b --kind line_check --seed 73 --seconds 45 --bpm 60"}) {
        const RealTake take(words);
        const auto check = take.check();
        const auto due = early_decays(take);
        for (const std::string drum : {"kick", "snare"}) {
            const auto found = ring_ms(check, drum);
            if (!found) continue;
            INFO(words << ": " << drum);
            ++judged;
            CHECK(*found == Approx(due.at(drum).get<double>()).epsilon(0.15).margin(0));
        }
    }
    CHECK(judged >= 4);
}

TEST_CASE("a real drum rings the same in every take and at every rate, or is not judged", "[real]") {
    if (no_recordings()) return;
    const std::string line = "--kind line_check --seed 74 --seconds 45 --bpm 60";
    for (const std::string drum : {"kick", "snare"}) {
        check_same_ring({line, line + " --rate 48000", line + " --rate 96000"}, drum, 0);
        check_same_ring({line, "--kind groove --seed 75 --seconds 30 --bpm 104",
                         "--kind fills --seed 76 --seconds 30 --bpm 100"},
                        drum, 1);
    }
    const std::string kit_b = "--kit b --kind ";
    check_same_ring({kit_b + "line_check --seed 74 --seconds 45 --bpm 60",
                     kit_b + "groove --seed 75 --seconds 30 --bpm 104",
                     kit_b + "fills --seed 76 --seconds 30 --bpm 100"},
                    "kick", 1);
}

TEST_CASE("Damp shortens what it says it shortens on real strokes, or says what to record", "[real]") {
    if (no_recordings()) return;
    const auto [words, role] = GENERATE(table<std::string, std::string>(
        {{"--kind line_check --seed 77 --seconds 45 --bpm 60", "snare_top"},
         {"--kind line_check --seed 77 --seconds 45 --bpm 60", "kick_in"},
         {"--kit b --kind line_check --seed 78 --seconds 45 --bpm 60", "kick_in"},
         {"--kit b --kind line_check --seed 78 --seconds 45 --bpm 60", "rack_tom"}}));
    const RealTake take(words);
    take.make_session();
    const auto out = take.path("audition");
    const auto run = run_program({"audition", take.path(), "--role", role, "-o", out, "--json"});
    INFO(words << ", " << role << "\n" << run.err << run.out);
    if (run.exit_code == 2) {
        CHECK(run.err_lines() == 1);
        CHECK(run.err.find("Record six single strokes") != std::string::npos);
        CHECK_FALSE(std::filesystem::exists(out));
        return;
    }
    REQUIRE(run.exit_code == 0);
    const auto json = Json::parse(run.out);
    std::size_t shorter = 0;
    for (const auto& p : json.at("partials")) {
        if (!p.at("shortened")) continue;
        ++shorter;
        CHECK(p.at("deadened_ring_ms").get<double>() < p.at("open_ring_ms").get<double>());
    }
    CHECK(shorter > 0);
    const auto &open = json["open"]["ring_ms"], &deadened = json["deadened"]["ring_ms"];
    if (!open.is_null() && !deadened.is_null()) CHECK(deadened.get<double>() < open.get<double>());
}
