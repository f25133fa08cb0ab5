// The balance on real strokes, takes of seeds that nothing else looks at: what its table promises is in the
// bounced file, and the promises hold that need no truth.
#include "real_take.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>

using namespace kitfold::test;

namespace {

Json json_of(const std::vector<std::string>& arguments) {
    const auto run = run_program(arguments);
    INFO(run.err);
    REQUIRE(run.exit_code <= 1);
    return Json::parse(run.out);
}

} // namespace

TEST_CASE("real takes come to a submix that doesn't clip, evenly where a mic controls it, twice the same",
          "[real]") {
    if (no_recordings()) return;
    const auto words = GENERATE(as<std::string>{}, "--kind groove --seed 51 --seconds 30 --bpm 100",
                                "--kind fills --seed 52 --seconds 30 --bpm 108 --rate 48000",
                                "--kit b --kind groove --seed 53 --seconds 30 --bpm 104");
    INFO(words);
    const RealTake take(words);
    take.make_session();
    REQUIRE(run_program({"check", take.path(), "--apply"}).exit_code <= 1);
    const auto text = bytes_of_file(take.path("session.json"));
    const auto balance = json_of({"balance", take.path(), "--apply", "--json"});
    CHECK(bytes_of_file(take.path("session.json")) == text); // check --apply has balanced it
    for (const auto& mic : balance["mics"]) {
        CHECK(mic["level_db"].get<double>() <= 12.0);
        CHECK(mic["level_db"].get<double>() >= -30.0);
    }
    for (const auto& row : balance["drums"]) {
        INFO(row.dump());
        const double off = row["got_db"].get<double>() - row["wanted_db"].get<double>();
        // where it missed, the table says why
        if (std::abs(off) >= 1.0) CHECK(row["how"].get<std::string>().find(';') != std::string::npos);
        if (row["drum"] == "kick" || row["drum"] == "snare") CHECK(row["mono_loss_db"].get<double>() < 1.0);
    }
    const auto bounce = json_of({"bounce", take.path(), "-o", take.path("out.wav"), "--json"});
    CHECK(bounce["clipped_samples"] == 0);
    CHECK(bounce["true_peak_dbtp"].get<double>() <= -0.95); // -1, and the rounding of 24 bits
    CHECK(bounce["loudness_lufs"].get<double>() ==
          Approx(balance["output"]["loudness_lufs"].get<double>()).margin(0.05));
    CHECK(bounce["bus"]["largest_reduction_db"].get<double>() == Approx(4.0).margin(0.5));
}
