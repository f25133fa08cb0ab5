#include "offline/check/kit_gates.h"
#include "offline/files.h"
#include "offline/util/errors.h"
#include <catch2/catch.hpp>

using namespace kitfold;
using namespace kitfold::offline;
using Catch::Contains;
using kitfold::test::Folder;
using kitfold::test::write_text;

namespace {

/// A tom without a gate, a snare with one, an overhead; the tom's bleed is known.
Session three_mics() {
    Session s;
    s.mics.resize(3);
    s.mics[0].name = "Rack tom", s.mics[0].role = dsp::Role::rack_tom;
    s.mics[1].name = "Snare", s.mics[1].role = dsp::Role::snare_top;
    s.mics[2].name = "Overhead", s.mics[2].role = dsp::Role::overhead_mono;
    for (auto& m : s.mics) m.file = "a.wav", m.mix.role = m.role;
    s.mics[1].gate = dsp::GateSettings{.threshold_db = -20.0, .hold_ms = 33.0};
    return s;
}

dsp::LearnedKitKey learned() {
    dsp::LearnedKitKey l;
    l.table.mics.resize(3);
    for (auto& m : l.table.mics)
        m.weight_db.fill(dsp::kOffDb), m.noise_db.fill(-93.5), m.wash_db.fill(dsp::kOffDb);
    l.table.mics[0].known = true, l.table.mics[0].level_db = 2.3;
    l.table.mics[0].weight_db = {0.0, 0.0, dsp::kOffDb, dsp::kOffDb, dsp::kOffDb};
    l.table.bleed.push_back({1, 0, {-10.1, -9.9, dsp::kOffDb, 0.0, 12.0}});
    l.table.bleed.back().response.assign(dsp::kResponseTaps, 0.0021);
    dsp::KitKeyProposal tom, snare;
    tom.mic = 0, tom.hits = 6, tom.softest_hit_db = -28.0, tom.loudest_bleed_db = -58.0, tom.margin_db = 30.0;
    tom.threshold_db = -40.0;
    snare.mic = 1, snare.why_not = "fewer than two hits of its drum in the take";
    l.proposals = {tom, snare};
    return l;
}

std::string refused(std::string text, const std::string& from, const std::string& to) {
    const auto at = text.find(from);
    REQUIRE(at != std::string::npos);
    Folder folder;
    write_text(folder / "session.json", text.replace(at, from.size(), to));
    try {
        (void)load_session(folder.path());
    } catch (const Error& error) {
        CHECK(error.code() == Exit::bad_input);
        return error.what();
    }
    return "accepted";
}

} // namespace

TEST_CASE("what was learned sets the gates there are and adds none", "[session]") {
    auto session = three_mics();
    auto l = learned();
    const auto plans = [&] {
        std::vector<GatePlan> out;
        for (const auto& gate : plan_kit_gates(session, l)) out.push_back(gate.plan);
        return out;
    };
    SECTION("a tom without a gate stays open, a snare of whose bleed nothing is known stays as it is") {
        CHECK(plans() == std::vector{GatePlan::none, GatePlan::blind});
        apply_kit_gates(session, l);
        CHECK_FALSE(session.mics[0].gate);
        CHECK(session.mics[1].gate == dsp::GateSettings{.threshold_db = -20.0, .hold_ms = 33.0});
        CHECK_FALSE(session.mics[2].gate);
        CHECK(session.bleed == l.table);
    }
    SECTION("a gate gets key and threshold and keeps the rest; then it is somebody's choice") {
        session.mics[0].gate = dsp::GateSettings{.threshold_db = -55.0, .hold_ms = 33.0};
        CHECK(plans() == std::vector{GatePlan::sets, GatePlan::blind});
        apply_kit_gates(session, l);
        CHECK(session.mics[0].gate ==
              dsp::GateSettings{.threshold_db = -40.0, .hold_ms = 33.0, .key = dsp::GateKey::kit});
        session.mics[0].gate->threshold_db = -44.0; // by hand
        CHECK(plans() == std::vector{GatePlan::keeps, GatePlan::blind});
        apply_kit_gates(session, l);
        CHECK(session.mics[0].gate->threshold_db == -44.0);
    }
    SECTION("a gate that was given the kit as its key before anything was known is deaf") {
        session.mics[0].gate = dsp::GateSettings{.key = dsp::GateKey::kit};
        CHECK(plan_kit_gates(session, l)[0].deaf);
        apply_kit_gates(session, l);
        CHECK_FALSE(plan_kit_gates(session, l)[0].deaf);
    }
    SECTION("a take that taught nothing leaves the bleed of an earlier one") {
        apply_kit_gates(session, l);
        for (auto& m : l.table.mics) m.known = false;
        l.table.bleed.clear();
        apply_kit_gates(session, l);
        CHECK(session.bleed == learned().table);
    }
}

TEST_CASE("a session keeps the bleed it was given", "[session]") {
    auto session = three_mics();
    apply_kit_gates(session, learned());
    Folder folder;
    save_session(session, folder / "session.json");
    const auto again = load_session(folder.path());
    CHECK(again.bleed == session.bleed);
    CHECK(to_json_text(again) == to_json_text(session));
    CHECK_THAT(to_json_text(three_mics()), !Contains("bleed"));
}

TEST_CASE("what is wrong with the bleed in a session is said in one line", "[session]") {
    auto session = three_mics();
    apply_kit_gates(session, learned());
    const auto text = to_json_text(session);
    CHECK_THAT(refused(text, "\"from\": \"Snare\"", "\"from\": \"Cowbell\""),
               Contains("bleed.paths[0].from is \"Cowbell\"") && Contains("no mic here"));
    CHECK_THAT(refused(text, "-93.5", "3"),
               Contains("bleed.mics[0].noise_db[0] is 3") && Contains("-200 to 0"));
    CHECK_THAT(refused(text, "\"known\": true", "\"known\": 1"), Contains("bleed.mics[0].known is 1"));
    CHECK_THAT(refused(text, "\"paths\"", "\"path\""), Contains("bleed.path"));
    CHECK_THAT(refused(text, "0.0021,", "101,"), Contains("bleed.paths[0].response[0] is 101"));
    CHECK_THAT(refused(text, "0.0021,", ""), Contains("bleed.paths[0].response has 47 entries"));
    CHECK_THAT(refused(text, "\"bands_hz\": [70", "\"bands_hz\": [71"), Contains("other bands"));
}

TEST_CASE("which gates rest on doubtful hits is said by name, of those that can be set", "[gates]") {
    const std::vector<dsp::TakeMic> mics = {{"Rack", dsp::Role::rack_tom}, {"Snare", dsp::Role::snare_top}};
    std::vector<KitGate> gates(2);
    gates[1].proposal.mic = 1;
    CHECK(doubt_words(gates, mics).empty());
    gates[0].proposal.hits = 7, gates[0].proposal.doubtful = 2;
    CHECK(doubt_words(gates, mics).find("Doubtful: Rack 2 (of 7 hits). ") == 0);
    gates[0].plan = GatePlan::blind; // why_not is said instead
    CHECK(doubt_words(gates, mics).empty());
}
