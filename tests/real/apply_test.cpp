// check --apply on real strokes: what it foretold is what is there afterwards. Takes of seeds that nothing
// else looks at; 48 kHz, as low_energy reads.
#include "offline/bare_pair.h"
#include "real_take.h"
#include <catch2/catch.hpp>

using namespace kitfold::test;

namespace {

const char* const kTakes[] = {
    "--kind groove --seed 81 --seconds 40 --bpm 100 --rate 48000",
    "--kind fills --seed 82 --seconds 40 --bpm 108 --rate 48000 --delay kick_out=91.0 --flip snare_top",
    "--kind snare_pair --snare b_basic --seed 83 --seconds 25 --bpm 100 --rate 48000 --flip snare_bottom",
    "--kit b --kind line_check --seed 84 --seconds 40 --bpm 60 --rate 48000 --flip rack_tom",
};

Json pair_like(const Json& check, const Json& pair) {
    for (const auto& p : check.at("pairs"))
        if (p.at("a") == pair.at("a") && p.at("b") == pair.at("b") && p.at("drum") == pair.at("drum"))
            return p;
    return {};
}

/// What the session says of the mic in a role.
Json mic_in(const RealTake& take, const std::string& role) {
    const auto session = Json::parse(bytes_of_file(take.path("session.json")));
    for (const auto& m : session.at("mics"))
        if (m.at("role") == role) return m;
    throw std::out_of_range(role);
}

} // namespace

TEST_CASE("after check --apply there is nothing to fix, and the sums are the foretold ones", "[real]") {
    if (no_recordings()) return;
    const std::string words = GENERATE(from_range(std::begin(kTakes), std::end(kTakes)));
    INFO(words);
    const RealTake take(words);
    // levels that a person has set, so that both checks speak of the same ones and not of what the balance
    // made
    take.make_session([](auto& session) {
        for (auto& mic : session["mics"])
            mic["level_db"] = mic.value("level_db", 0.0), mic["balanced_db"] = -90;
    });
    const auto first = take.check({"--apply"}), second = take.check();
    CHECK(second.at("fixes").empty());
    for (const auto& p : first.at("pairs")) {
        const auto again = pair_like(second, p);
        if (p.at("low_gain_after_db").is_null() || again.is_null()) continue;
        INFO(p.at("a") << " / " << p.at("b") << " on " << p.at("drum"));
        CHECK_FALSE(again.at("fix"));
        for (const std::string band : {"low", "full"})
            CHECK(double(again.at(band + "_gain_before_db")) ==
                  Approx(double(p.at(band + "_gain_after_db"))).epsilon(0).margin(0.5));
    }
    const auto said = run_program({"check", take.path()});
    CHECK(said.exit_code == 0);
    CHECK(said.out.find("FIX") == std::string::npos);
}

TEST_CASE("a pair's low end in the bounce is what check foretold", "[real]") {
    if (no_recordings()) return;
    const auto [take_number, a, b, drum] = GENERATE(table<int, std::string, std::string, std::string>({
        {0, "kick_in", "overhead_left", "kick"},
        {1, "kick_in", "kick_out", "kick"},
        {1, "snare_top", "overhead_left", "snare"},
        {2, "snare_top", "snare_bottom", "snare"},
        {3, "rack_tom", "overhead_left", "rack_tom"},
    }));
    const RealTake take(kTakes[take_number]);
    take.make_session();
    bare_pair(take.path(), a, b);
    const auto check = take.check();
    auto hits = hits_of(check, drum);
    const auto apart = low_energy(read_sound(take.path(a + ".wav")), hits) +
                       low_energy(read_sound(take.path(b + ".wav")), hits);
    const Json like{{"a", mic_in(take, a).at("name")}, {"b", mic_in(take, b).at("name")}, {"drum", drum}};
    const auto foretold = pair_like(check, like);
    INFO(kTakes[take_number] << ": " << a << " / " << b);
    REQUIRE_FALSE(foretold.is_null());
    if (foretold.at("low_gain_after_db").is_null()) return; // left open, nothing foretold
    CHECK(gain_in_bounce(take.path(), hits, apart) ==
          Approx(double(foretold.at("low_gain_before_db"))).epsilon(0).margin(0.5));
    (void)take.check({"--apply"});
    const auto later_ms = mic_in(take, a).value("delay_ms", 0.0);
    for (auto& h : hits) h += later_ms / 1e3;
    CHECK(gain_in_bounce(take.path(), hits, apart) ==
          Approx(double(foretold.at("low_gain_after_db"))).epsilon(0).margin(0.5));
}
