// Sum's gates and its "learn": what opens them, what is learned, and what it says.
#include "analysis/hard_take.h"
#include "mix/kit_mix.h"
#include "real_time_guard.h"
#include "settings/kit_key_json.h"
#include "support.h"
#include <catch2/catch.hpp>
#include <nlohmann/json.hpp>

using namespace kitfold;
using namespace kitfold::plugins;
using namespace kitfold::plugins::test;

namespace {

void wait_for_learn(const Processor& p) {
    pump_polls();
    REQUIRE(pump_until([&] { return shown(p, "learning") != "measuring"; }));
}

/// Plays in the time that the take lasts, as far as the message thread can tell.
void play_slowly(Processor& p, const Channels& in) {
    constexpr std::size_t kPart = 48'000;
    for (std::size_t at = 0; at < in[0].size(); at += kPart) {
        Channels part;
        for (const auto& c : in)
            part.emplace_back(c.begin() + static_cast<std::ptrdiff_t>(at),
                              c.begin() + static_cast<std::ptrdiff_t>(std::min(at + kPart, c.size())));
        play(p, part, block_sizes(part[0].size()));
        pump_polls(); // it makes room for the next part
    }
}

void learn_from(Processor& p, const Channels& in) {
    type_in(p, "learn", "on");
    wait_for(p, "learning", "listening");
    play_slowly(p, in);
    type_in(p, "learn", "off");
    pump_polls();
    play(p, Channels(inputs(p), Signal(64, 0.0f)), {64}); // the audio thread ends the recording
    wait_for_learn(p);
}

/// As soon as that is something else than before; a gate is seen open at the poll after what opened it.
std::string shown_while_playing(Processor& p, std::string_view id, const Channels& in) {
    const auto before = shown(p, id);
    REQUIRE(pump_until([&] {
        play(p, in, block_sizes(in[0].size()));
        return shown(p, id) != before;
    }));
    return shown(p, id);
}

Channels on_sixteen(const Channels& mics) {
    auto all = mics;
    all.resize(kSumMics, Signal(mics[0].size(), 0.0f));
    return all;
}

/// The mics of a simulated kit as a session's, with gates on the toms.
dsp::Json session_of(std::span<const dsp::SimulatedMic> mics, const dsp::GateSettings& tom) {
    dsp::Json session = {{"mics", dsp::Json::array()}};
    for (const auto& mic : mics) {
        session["mics"].push_back({{"name", mic.name}, {"role", std::string(dsp::token(mic.role))}});
        if (mic.role == dsp::Role::rack_tom || mic.role == dsp::Role::floor_tom)
            session["mics"].back()["gate"] = dsp::to_json(tom);
    }
    return session;
}

dsp::GateSettings kit_gate() {
    auto gate = kitfold::test::tom_gate(-1.0); // so high that nothing opens it before it has learned
    gate.key = dsp::GateKey::kit;
    return gate;
}

/// Eight seconds of a kit, each drum four times, at a rate at which that takes no time.
struct SmallTake {
    static constexpr double kRateHz = 16'000.0;
    dsp::Simulator simulator;
    Channels mics;

    SmallTake() : simulator(options()), mics(simulator.render()) {}
    static dsp::SimulatorOptions options() {
        dsp::SimulatorOptions o;
        o.rate_hz = kRateHz, o.seconds = 9.0, o.seed = 6;
        const dsp::Drum drums[] = {dsp::Drum::kick, dsp::Drum::snare, dsp::Drum::rack_tom,
                                   dsp::Drum::floor_tom};
        for (int i = 0; i < 16; ++i) o.strokes.push_back({0.3 + 0.5 * i, drums[i % 4], i < 8 ? -2.0 : -14.0});
        return o;
    }
};

const SmallTake& small_take() {
    static const SmallTake take;
    return take;
}

/// Sum at the rate of the small take, its mics named, gates that listen to the kit on the toms.
std::unique_ptr<Processor> ready_for_small_take() {
    auto p = ready("sum", 2, SmallTake::kRateHz);
    set_state_text(*p, session_of(small_take().simulator.mics(), kit_gate()).dump());
    return p;
}

std::string id_of(dsp::Role role, const char* what) {
    const auto m = *small_take().simulator.mic(role) + 1;
    return (m < 10 ? "mic_0" : "mic_") + std::to_string(m) + "_" + what;
}

} // namespace

TEST_CASE("Sum learns a hard take by listening, and its toms open for their own hits only",
          "[plugins][learn]") {
    const kitfold::test::HardTake take(dsp::Style::hard_sparse_toms, 202);
    auto p = ready("sum");
    set_state_text(*p, session_of(take.simulator.mics(), kit_gate()).dump());
    CHECK(shown(*p, "kit_known") == "nothing: plain gates");
    learn_from(*p, on_sixteen(take.mics));
    CAPTURE(shown(*p, "kit_known"), shown(*p, "heard_s"), shown(*p, "margin_db"));
    REQUIRE(shown(*p, "learning") == "learned");
    CHECK(shown(*p, "heard_s") == "60 s");

    const auto state = dsp::parse_json(state_text(*p));
    std::vector<std::string> names;
    for (const auto& mic : state.at("mics")) names.push_back(mic.at("name"));
    const auto table = dsp::read_kit_key(state.at("bleed"), "bleed", names);
    const auto keys = keys_of(take, table);
    for (const auto role : {dsp::Role::rack_tom, dsp::Role::floor_tom}) {
        const auto m = *take.simulator.mic(role);
        REQUIRE(table.knows(m));
        dsp::GateSettings gate;
        dsp::read_leniently(state.at("mics")[m].at("gate"), gate);
        const auto v = judge(take, role, keys[m], gate);
        INFO(names[m] << ": threshold " << gate.threshold_db);
        CHECK(v.hits == 6);
        CHECK((v.missed == 0 && v.wrong == 0));
        CHECK(v.kept_db > -0.5);
        CHECK(v.bleed_db < -30.0);
    }
}

TEST_CASE("Sum's gates are KitMix's, with what it has learned", "[plugins][learn]") {
    const auto& take = small_take();
    const double lookahead_ms = GENERATE(0.0, 2.0);
    auto p = ready_for_small_take();
    learn_from(*p, on_sixteen(take.mics));
    REQUIRE(shown(*p, "learning") == "learned");
    type_in(*p, id_of(dsp::Role::rack_tom, "gate_lookahead_ms"), std::to_string(lookahead_ms).c_str());
    const auto state = dsp::parse_json(state_text(*p));
    std::vector<std::string> names;
    std::vector<dsp::MicStrip> strips(kSumMics);
    for (std::size_t m = 0; m < kSumMics; ++m) {
        const auto& mic = state.at("mics")[m];
        names.push_back(mic.at("name"));
        dsp::read_leniently(mic, strips[m].mix);
        if (mic.contains("gate")) dsp::read_leniently(mic.at("gate"), strips[m].gate.emplace());
    }
    dsp::KitMix mix;
    REQUIRE(mix.prepare(SmallTake::kRateHz, strips, {}, {}, 0.0, dsp::best_isa(),
                        dsp::read_kit_key(state.at("bleed"), "bleed", names)) == nullptr);
    const auto in = on_sixteen(take.mics);
    std::vector<const float*> rows;
    for (const auto& c : in) rows.push_back(c.data());
    Channels expected(2, Signal(in[0].size()));
    mix.process(rows.data(), expected[0].data(), expected[1].data(), in[0].size());
    const auto tom = *take.simulator.mic(dsp::Role::rack_tom);
    REQUIRE(mix.kit_keyed(tom));
    CHECK((mix.gate_open(tom) > 0.05 && mix.gate_open(tom) < 0.5)); // four strokes of sixteen
    CHECK(p->getLatencySamples() == static_cast<int>(mix.latency()));
    CHECK(mix.latency() == static_cast<std::size_t>(16.0 * lookahead_ms));

    p->reset(); // as a host does before a render
    CHECK(first_difference(play(*p, in, block_sizes(in[0].size())), expected) == kSame);
    auto other = ready("sum", 2, SmallTake::kRateHz); // what it knows is in the state
    set_state_text(*other, state_text(*p));
    CHECK(first_difference(play(*other, in, {static_cast<int>(in[0].size())}), expected) == kSame);
    CHECK((state_text(*other) == state_text(*p))); // in brackets: nobody wants to read them
}

TEST_CASE("Sum says what it knows, and what each gate does", "[plugins][learn]") {
    const auto& take = small_take();
    auto p = ready_for_small_take();
    const auto rack = id_of(dsp::Role::rack_tom, "gate_state"),
               kick = id_of(dsp::Role::kick_in, "gate_state");
    pump_polls();
    CHECK(shown(*p, "kit_known") == "nothing: plain gates");
    CHECK(shown(*p, "learning") == "nothing yet");
    CHECK(shown(*p, kick) == "off");
    CHECK(shown(*p, rack) == "shut (plain, kit not known)");
    type_in(*p, id_of(dsp::Role::rack_tom, "gate_threshold_db"), "-60");
    CHECK(shown_while_playing(*p, rack, Channels(kSumMics, noise(480, 1))) == "open (plain, kit not known)");

    type_in(*p, id_of(dsp::Role::kick_in, "gate"), "own");
    type_in(*p, id_of(dsp::Role::kick_in, "gate_threshold_db"), "-33");
    learn_from(*p, on_sixteen(take.mics));
    REQUIRE(shown(*p, "learning") == "learned");
    CHECK(shown(*p, "learn") == "off");
    CHECK(shown(*p, "kit_known").find(" mics") != std::string::npos);
    CHECK(shown(*p, id_of(dsp::Role::rack_tom, "gate_threshold_db")) != "-60.0 dB");
    CHECK(shown(*p, id_of(dsp::Role::kick_in, "gate_threshold_db")) == "-33.0 dB"); // somebody's choice
    play(*p, Channels(kSumMics, Signal(64'000, 0.0f)), {16'000, 16'000, 16'000, 16'000});
    wait_for(*p, rack, "shut");
    const auto strokes = on_sixteen(take.mics);
    Channels one; // the first stroke of the rack tom, 1.3 s from the start
    for (const auto& c : strokes) one.emplace_back(c.begin() + 20'000, c.begin() + 22'400);
    CHECK(shown_while_playing(*p, rack, one) == "open");
}

TEST_CASE("Sum without a table gates like a plain gate on its own mic", "[plugins][learn]") {
    auto session = session_of(small_take().simulator.mics(), kitfold::test::tom_gate(-30.0));
    const auto sound = [&](const dsp::Json& s) {
        auto p = ready("sum", 2, SmallTake::kRateHz);
        set_state_text(*p, s.dump());
        const auto in = on_sixteen(small_take().mics);
        auto out = play(*p, in, block_sizes(in[0].size()));
        pump_polls();
        return std::pair(out, shown(*p, "kit_known"));
    };
    const auto own = sound(session);
    for (auto& mic : session["mics"])
        if (mic.contains("gate")) mic["gate"]["key"] = "kit";
    const auto unknown = sound(session);
    CHECK(first_difference(unknown.first, own.first) == kSame);
    CHECK(unknown.second == "nothing: plain gates");
    session["bleed"] = {
        {"bands_hz", dsp::kKeyBandHz},
        {"mics", dsp::Json::array()},
        {"paths", {{{"from", "Cowbell"}, {"mic", "Snare top"}, {"gain_db", {0, 0, 0, 0, 0}}}}}};
    const auto of_others = sound(session);
    CHECK(first_difference(of_others.first, own.first) == kSame);
    CHECK(of_others.second == "other mics: plain gates");
    session["bleed"] = 12;
    CHECK(sound(session).second == "other mics: plain gates");
}

TEST_CASE("Sum says why it could not learn, and moves nothing", "[plugins][learn]") {
    const auto& take = small_take();
    auto p = ready_for_small_take();
    const auto before = p->settings();
    learn_from(*p, Channels(kSumMics, Signal(32'000, 0.0f)));
    CHECK(shown(*p, "learning") == "too few hits");
    CHECK(p->settings() == before);
    learn_from(*p, Channels(kSumMics, Signal(32'000, std::numeric_limits<float>::quiet_NaN())));
    CHECK(shown(*p, "learning") == "too few hits");
    Channels one; // one stroke of the kick
    for (const auto& c : on_sixteen(take.mics)) one.emplace_back(c.begin(), c.begin() + 12'000);
    learn_from(*p, one);
    CHECK(shown(*p, "learning") == "too few hits");
    CHECK(p->settings() == before);
    set_state_text(*p, R"({"mics": [{"gate": {"key": "kit"}}]})");
    learn_from(*p, on_sixteen(take.mics));
    CHECK(shown(*p, "learning") == "set the mics' roles first");
    CHECK(shown(*p, "kit_known") == "nothing: plain gates");
}

TEST_CASE("Sum's learn is no part of the state, and a state ends it", "[plugins][learn]") {
    const auto& take = small_take();
    auto p = ready_for_small_take();
    const auto quiet = state_text(*p);
    type_in(*p, "learn", "on");
    wait_for(*p, "learning", "listening");
    CHECK(state_text(*p) == quiet);
    play_slowly(*p, on_sixteen(take.mics));
    set_state_text(*p, quiet);
    CHECK(shown(*p, "learn") == "off");
    pump_polls();
    play(*p, Channels(kSumMics, Signal(64, 0.0f)), {64}); // the audio thread ends the recording
    wait_for_learn(*p);
    CHECK(shown(*p, "learning") == "nothing yet");
    CHECK(state_text(*p) == quiet);

    learn_from(*p, on_sixteen(take.mics)); // it can be done again, at another rate too
    REQUIRE(shown(*p, "learning") == "learned");
    const auto known = shown(*p, "kit_known");
    type_in(*p, "learn", "on");
    wait_for(*p, "learning", "listening");
    p->prepareToPlay(kRate, 512);
    pump_polls();
    CHECK(shown(*p, "learning") == "listening");
    CHECK(shown(*p, "heard_s") == "0 s");
    play(*p, Channels(kSumMics, Signal(4'800, 0.0f)), {4'800});
    type_in(*p, "learn", "off");
    pump_polls();
    play(*p, Channels(kSumMics, Signal(64, 0.0f)), {64});
    wait_for_learn(*p);
    CHECK(shown(*p, "learning") == "too few hits");
    CHECK(shown(*p, "kit_known") == known); // what could not be learned again stays
}

TEST_CASE("Sum: no heap, no lock on the audio thread while it learns and when it has learned",
          "[plugins][learn]") {
    const auto& take = small_take();
    auto p = ready_for_small_take();
    type_in(*p, "learn", "on");
    wait_for(*p, "learning", "listening");
    juce::MidiBuffer midi;
    juce::AudioBuffer<float> audio(static_cast<int>(kSumMics), 480);
    int calls = 0;
    const auto block = [&](const Channels& in, std::size_t at) {
        for (int c = 0; c < static_cast<int>(kSumMics); ++c)
            audio.copyFrom(c, 0, in[static_cast<std::size_t>(c)].data() + at, 480);
        const RealTimeGuard guard;
        p->processBlock(audio, midi);
        calls += guard.calls();
    };
    const auto in = on_sixteen(take.mics);
    for (std::size_t at = 0; at + 480 <= in[0].size(); at += 480) {
        block(in, at);
        if (at % 48'000 == 0) pump_polls();
    }
    type_in(*p, "learn", "off");
    REQUIRE(pump_until([&] {
        block(in, 0);
        return shown(*p, "learning") == "learned";
    }));
    block(in, 0); // takes the table
    const auto state = state_text(*p);
    for (int i = 0; i < 5; ++i) set_state_text(*p, state), block(in, 480);
    if (RealTimeGuard::counts()) CHECK(calls == 0);
}

TEST_CASE("Sum keeps the settings of a gate that is off, and of a session what has no control", "[plugins]") {
    auto p = ready("sum");
    type_in(*p, "mic_03_gate_threshold_db", "-41");
    CHECK(state_text(*p).find("\"gate\":{") != std::string::npos);
    CHECK_FALSE(dsp::parse_json(state_text(*p)).at("mics")[2].contains("gate")); // as in a session
    auto other = ready("sum");
    set_state_text(*other, state_text(*p));
    CHECK(shown(*other, "mic_03_gate") == "off");
    CHECK(shown(*other, "mic_03_gate_threshold_db") == "-41.0 dB");

    set_state_text(*p, R"({"mics": [{"name": "Floor", "gate": {"key": "kit", "hysteresis_db": 7.25,
                       "key_high_pass_hz": 80, "attack_ms": 0.1234}}]})");
    CHECK(shown(*p, "mic_01_gate") == "kit");
    const auto mic = dsp::parse_json(state_text(*p)).at("mics")[0];
    CHECK(mic.at("name") == "Floor");
    CHECK(mic.at("gate").at("hysteresis_db") == 7.25);
    CHECK(mic.at("gate").at("key_high_pass_hz") == 80);
    CHECK(mic.at("gate").at("attack_ms") == 0.1234);
    set_state_text(*p, R"({"mics": [{"gate": {"key": "side_chain"}}]})"); // of which Sum has none
    CHECK(shown(*p, "mic_01_gate") == "own");
}

TEST_CASE("Sum keeps what only a bounce can do, so that a session copied through it loses nothing",
          "[plugins]") {
    auto p = ready("sum"), other = ready("sum");
    const auto reduction = [](Processor& sum, std::size_t mic) {
        return dsp::parse_json(state_text(sum)).at("mics")[mic].value("bleed_reduction_db", 0.0);
    };
    set_state_text(*p, R"({"mics": [{"name": "Kick", "role": "kick_in"},
                                    {"name": "Rack", "role": "rack_tom", "bleed_reduction_db": 12.5}]})");
    set_state_text(*other, state_text(*p));
    CHECK(reduction(*other, 1) == 12.5);
    CHECK(reduction(*other, 0) == 0.0);
    CHECK_FALSE(dsp::parse_json(state_text(*other)).at("mics")[0].contains("bleed_reduction_db"));
    type_in(*other, "mic_02_role", "overhead mono"); // a session refuses it there
    CHECK(reduction(*other, 1) == 0.0);
    type_in(*other, "mic_02_role", "floor tom");
    CHECK(reduction(*other, 1) == 12.5);
    set_state_text(*other, R"({"mics": [{"bleed_reduction_db": "much"}, {"role": "rack_tom"}]})");
    CHECK(reduction(*other, 1) == 0.0); // another session's
}

TEST_CASE("Sum's look-ahead is reported, and bypass keeps the time", "[plugins]") {
    auto p = ready("sum");
    type_in(*p, "mic_02_gate_lookahead_ms", "5");
    CHECK(p->getLatencySamples() == 0); // the gate is off
    type_in(*p, "mic_02_gate", "own");
    CHECK(p->getLatencySamples() == 240); // 5 ms at 48 kHz
    type_in(*p, "mic_01_pan", "L 100");
    type_in(*p, "mic_02_pan", "R 100");
    Channels in(kSumMics, Signal(2'000, 0.0f));
    in[0] = noise(2'000, 1), in[1] = noise(2'000, 2);
    for (auto& x : in[1]) x *= 1e-3f; // too soft for the gate, which bypass takes out
    const auto out = play(*p, in, {2'000}, 0);
    for (std::size_t c = 0; c < 2; ++c)
        CHECK(std::equal(in[c].begin(), in[c].end() - 240, out[c].begin() + 240));
}

TEST_CASE("Sum goes away while it listens and while it measures", "[plugins][learn]") {
    for (int polls : {0, 1, 2}) {
        auto p = ready_for_small_take();
        type_in(*p, "learn", "on");
        wait_for(*p, "learning", "listening");
        play_slowly(*p, on_sixteen(small_take().mics));
        if (polls > 0) type_in(*p, "learn", "off"), pump_polls();
        play(*p, Channels(kSumMics, Signal(64, 0.0f)), {64});
        while (polls-- > 0) pump_polls();
    }
}
