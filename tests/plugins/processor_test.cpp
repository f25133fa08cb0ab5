// The processors by themselves, without a format around them.
#include "core/units.h"
#include "real_time_guard.h"
#include "settings/kit_key_table.h"
#include "support.h"
#include <algorithm>
#include <catch2/catch.hpp>
#include <chrono>
#include <cstdio>
#include <nlohmann/json.hpp>
#include <thread>

using namespace kitfold;
using namespace kitfold::plugins;
using namespace kitfold::plugins::test;

TEST_CASE("plug-ins: the output is the DSP library's, bit for bit, at any block size", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    const double rate_hz = GENERATE(8'000.0, 44'100.0, 192'000.0);
    const std::size_t channels = GENERATE(1, 2);
    if (channels == 1 && (plugin == "bus" || plugin == "sum")) return;
    for (unsigned seed = 0; seed < 4; ++seed) {
        auto p = ready(plugin, channels, rate_hz);
        set_controls(*p, random_positions(control_count(p->layout()), seed));
        const auto in = bursts(inputs(*p), 12'000);
        const auto mono_key =
            plugin == "gate" && channels == 1; // one key where Gate<float, double> takes one
        auto heard = in;
        if (mono_key) heard[2] = heard[1];
        CAPTURE(plugin, rate_hz, channels, seed);
        CHECK(first_difference(play(*p, heard, block_sizes(12'000)),
                               reference(plugin, channels, p->settings(), heard, rate_hz)) == kSame);
    }
}

TEST_CASE("plug-ins: every control says what it means, both ways", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    for (auto* parameter : p->getParameters()) {
        CAPTURE(plugin, parameter->getName(64).toStdString());
        CHECK(parameter->getName(64).isNotEmpty());
        for (int i = 0; i <= 200; ++i) {
            const auto text = parameter->getText(static_cast<float>(i) / 200.0f, 64);
            CAPTURE(text.toStdString());
            REQUIRE(parameter->getText(parameter->getValueForText(text), 64) == text);
        }
    }
}

TEST_CASE("plug-ins: a host's texts", "[plugins]") {
    auto kick = ready("kick"), gate = ready("gate"), bus = ready("bus"), sum = ready("sum");
    const auto shows = [](Processor& p, std::string_view id, const char* typed) {
        type_in(p, id, typed);
        return p.getParameters()[index_of(p, id)]->getCurrentValueAsText().toStdString();
    };
    CHECK(shows(*kick, "bleed_cut_hz", "1.2k") == "1.2 kHz");
    CHECK(shows(*kick, "high_pass_slope", "24") == "24 dB/oct");
    CHECK(shows(*kick, "high_pass_slope", "off") == "off");
    CHECK(shows(*gate, "threshold_db", "-18") == "-18.0 dB");
    CHECK(shows(*gate, "range_db", "-inf") == "-inf dB");
    CHECK(shows(*gate, "key", "side-chain") == "side-chain");
    CHECK(shows(*bus, "ratio", "limit") == "limit");
    CHECK(shows(*bus, "release_ms", "programme") == "programme");
    CHECK(shows(*sum, "mic_03_pan", "L 30") == "L 30");
    CHECK(shows(*sum, "mic_16_polarity", "inverted") == "inverted");
    CHECK(shows(*sum, "mic_01_level_db", "nonsense") == "0.0 dB"); // not understood: stays
    // 34.3 cm is 1 ms at 20 °C, where sound does 343.2 m/s (ISO 9613-1)
    CHECK(shows(*sum, "mic_02_delay_ms", "34.32 cm") == "1.000 ms");
}

TEST_CASE("plug-ins: controls come in groups, and half way is where a hand expects it", "[plugins]") {
    auto kick = make("kick"), gate = make("gate"), sum = make("sum"), damp = make("damp");
    const auto groups = [](Processor& p) {
        std::vector<std::string> names;
        for (const auto* group : p.getParameterTree().getSubgroups(false))
            names.push_back(group->getName().toStdString());
        return names;
    };
    CHECK(groups(*kick) ==
          std::vector<std::string>{"High-pass", "Low shelf", "Box cut", "Bleed cut", "Output"});
    CHECK(groups(*gate) == std::vector<std::string>{"Gate", "Key", "Meters"});
    CHECK(groups(*sum).size() == 1 + 16 + 16 + 2);
    CHECK(groups(*sum)[16] == "Mic 16");
    CHECK(groups(*sum)[17] == "Mic 1 gate");
    CHECK(groups(*sum).back() == "Meters");
    CHECK(groups(*damp).back() == "Meters");

    const auto half = [](Processor& p, std::string_view id) {
        const auto* parameter = static_cast<juce::RangedAudioParameter*>(p.getParameters()[index_of(p, id)]);
        return parameter->convertFrom0to1(0.5f);
    };
    // equal ratios are equal steps: the geometric mean of the ends
    CHECK(half(*kick, "high_pass_hz") == Approx(std::sqrt(10.0 * 200.0)).epsilon(0).margin(0.05));
    CHECK(half(*gate, "release_ms") == Approx(std::sqrt(5.0 * 4000.0)).epsilon(0).margin(0.5));
    CHECK(half(*gate, "threshold_db") == Approx(-45.0).epsilon(0).margin(0.05));
    CHECK(half(*sum, "mic_01_pan") == Approx(0.0).epsilon(0).margin(0.005));
    const auto* slope = kick->getParameters()[index_of(*kick, "high_pass_slope")];
    CHECK(slope->isDiscrete());
    CHECK(slope->getNumSteps() == 5); // off, 6, 12, 18, 24
    CHECK(sum->getParameters()[index_of(*sum, "mic_01_mute")]->isBoolean());
}

TEST_CASE("plug-ins: what a control shows is the very number that is used", "[plugins]") {
    auto gate = ready("gate"), kick = ready("kick"), sum = ready("sum");
    type_in(*gate, "threshold_db", "-18.7");
    type_in(*gate, "attack_ms", "0.07");
    CHECK(settings_from<dsp::GateSettings>(gate->settings().data()).threshold_db ==
          -18.7); // not -18.70000017
    CHECK(settings_from<dsp::GateSettings>(gate->settings().data()).attack_ms == 0.07);
    type_in(*kick, "shelf_hz", "81.3");
    CHECK(settings_from<dsp::KickSettings>(kick->settings().data()).shelf_hz == 81.3);
    type_in(*sum, "mic_01_delay_ms", "12.345");
    CHECK(sum->settings()[4 + 3] == 12.345); // after the sum's four: level, pan, polarity, delay
}

TEST_CASE("plug-ins: state is the JSON of a session's strip", "[plugins]") {
    auto p = ready("kick");
    set_state_text(
        *p,
        R"({"name": "Kick out", "role": "kick_out", "filters": {"shelf_db": 7.123456789, "box_db": -3}})");
    const auto s = settings_from<dsp::KickSettings>(p->settings().data());
    CHECK(s.shelf_db == 7.123456789);
    CHECK(s.box_db == -3.0);
    CHECK(s.shelf_hz == dsp::KickSettings{}.shelf_hz);
    CHECK(state_text(*p).find("\"shelf_db\":7.123456789") != std::string::npos);

    auto damp = ready("damp");
    set_state_text(
        *damp, R"({"damp": {"amount": 0.5, "bands": [{"hz": 181.5, "q": 9, "ring_ms": 250}, {"hz": 320}]}})");
    CHECK(damp->settings()[4] == 2.0);
    CHECK(damp->settings()[5] == 181.5);
    CHECK(state_text(*damp).find("\"bands\":[{\"hz\":181.5,\"q\":9") != std::string::npos);

    // the host hands the same positions back: every digit stays
    for (auto* parameter : p->getParameters()) parameter->setValueNotifyingHost(parameter->getValue());
    CHECK(settings_from<dsp::KickSettings>(p->settings().data()) == s);

    auto sum = ready("sum");
    set_state_text(
        *sum,
        R"({"kitfold_session": 1, "mics": [{"role": "snare_top", "pan": -0.25}], "sum": {"mono": true}})");
    const auto values = sum->settings();
    CHECK(settings_from<dsp::SumSettings>(values.data()).mono == true);
    const auto mic = settings_from<dsp::MicSettings>(values.data() + dsp::fields<dsp::SumSettings>().size());
    CHECK(mic.role == dsp::Role::snare_top);
    CHECK(mic.pan == -0.25);
}

TEST_CASE("plug-ins: newer, partial, wrong and broken states", "[plugins]") {
    auto p = ready("gate");
    set_state_text(
        *p, R"({"kitfold_state": 99, "gate": {"threshold_db": -20, "of_the_future": [1, 2]}, "more": {}})");
    CHECK(settings_from<dsp::GateSettings>(p->settings().data()).threshold_db == -20.0);
    set_state_text(*p, R"({"gate": {"threshold_db": 900, "attack_ms": "soon", "hold_ms": 100}})");
    CHECK(settings_from<dsp::GateSettings>(p->settings().data()) == dsp::GateSettings{.hold_ms = 100.0});
    const auto before = p->settings();
    for (const char* text : {"", "{", "[]", "null", "12", "{}", R"({"filters": {"shelf_db": 1}})",
                             R"({"gate": 3})", R"({"gate": {"threshold_db": -10})", "\xff\xfe\x00 garbage"}) {
        set_state_text(*p, text);
        CAPTURE(text);
        CHECK(p->settings() == before);
    }
    p->setStateInformation(nullptr, 10);
    CHECK(p->settings() == before);
    // A wrapper whose trailer was damaged may state any length; the text ends at its first zero byte.
    const std::string whole = R"({"gate": {"hold_ms": 80}})";
    const auto held = std::make_unique<char[]>(whole.size() + 1);
    std::copy(whole.begin(), whole.end(), held.get());
    p->setStateInformation(held.get(), 1'000'000'000);
    CHECK(settings_from<dsp::GateSettings>(p->settings().data()).hold_ms == 80.0);
    const auto now = p->settings();
    const std::string open(100'000, '['), close(100'000, ']'); // deeper than any stack of calls
    set_state_text(*p, open);
    CHECK(p->settings() == now);
    set_state_text(*p, R"({"gate": {"hold_ms": 70}, "more": )" + open + close + "}");
    CHECK(all_allowed(*p));
}

namespace {

/// A state with gates and all that a table of the bleed can hold.
std::string two_mics_that_know_each_other() {
    dsp::Json state = {{"mics", dsp::Json::array()},
                       {"bleed", {{"bands_hz", dsp::kKeyBandHz}, {"mics", {}}, {"paths", {}}}}};
    for (const char* name : {"Rack", "Snare"}) {
        state["mics"].push_back({{"name", name}, {"gate", {{"key", "kit"}, {"lookahead_ms", 1.5}}}});
        state["bleed"]["mics"].push_back({{"mic", name},
                                          {"known", true},
                                          {"level_db", 2.5},
                                          {"weight_db", {0, 0, 0, "-inf", "-inf"}},
                                          {"noise_db", {-90, -90, -90, -90, -90}},
                                          {"wash_db", {-20, -20, -20, -20, "-inf"}}});
    }
    state["bleed"]["paths"].push_back({{"from", "Snare"},
                                       {"mic", "Rack"},
                                       {"gain_db", {-10, -12, -14, -16, -18}},
                                       {"response", std::vector<double>(dsp::kResponseTaps, 0.002)}});
    return state.dump();
}

} // namespace

TEST_CASE("plug-ins: ten thousand mutated states", "[plugins]") {
    std::mt19937 random(7);
    const auto pick = [&random](std::size_t below) {
        return std::uniform_int_distribution<std::size_t>(0, below - 1)(random);
    };
    int kept = 0, taken = 0;
    for (const auto& plugin : kPlugins) {
        auto p = ready(plugin);
        if (plugin == "sum") set_state_text(*p, two_mics_that_know_each_other());
        const auto original = state_text(*p);
        const auto in = bursts(inputs(*p), 32);
        for (int i = 0; i < 2'500; ++i) {
            auto text = original;
            for (std::size_t m = pick(4); m-- > 0;) {
                const auto at = pick(text.size());
                switch (pick(5)) {
                case 0:
                    text[at] = static_cast<char>(pick(256));
                    break;
                case 1:
                    text.resize(at + 1);
                    break;
                case 2:
                    text.insert(at, std::to_string(static_cast<double>(pick(1'000'000)) - 5e5));
                    break;
                case 3:
                    text.erase(at, pick(20));
                    break;
                default:
                    text.insert(at, text.substr(pick(text.size()), pick(60)));
                }
                if (text.empty()) text = " ";
            }
            const auto before = p->settings();
            set_state_text(*p, text);
            bool json = true;
            try {
                dsp::parse_json(text);
            } catch (const std::exception&) {
                json = false;
            }
            (json ? taken : kept) += 1;
            if (!json) REQUIRE(p->settings() == before);
            REQUIRE(all_allowed(*p));
            REQUIRE(all_finite(play(*p, in, {32})));
        }
    }
    CHECK(kept > 2'000); // both kinds were there
    CHECK(taken > 2'000);
}

TEST_CASE("plug-ins: no heap, no lock in processBlock, from the first call on", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    juce::MidiBuffer midi;
    juce::AudioBuffer<float> audio(static_cast<int>(inputs(*p)), 5000);
    for (int round = 0; round < 60; ++round) {
        const auto in = noise(5000, static_cast<unsigned>(round));
        for (int c = 0; c < audio.getNumChannels(); ++c) audio.copyFrom(c, 0, in.data(), 5000);
        const int sizes[] = {0, 1, 17, 64, 512, 513, 5000};
        juce::AudioBuffer<float> block(audio.getArrayOfWritePointers(), audio.getNumChannels(),
                                       sizes[round % 7]);
        if (round % 3 == 0)
            set_controls(*p, random_positions(control_count(p->layout()), static_cast<unsigned>(round)));
        const RealTimeGuard guard;
        if (round % 10 > 7)
            p->processBlockBypassed(block, midi);
        else
            p->processBlock(block, midi);
        if (RealTimeGuard::counts()) REQUIRE(guard.calls() == 0);
    }
    const RealTimeGuard guard; // the counter itself
    void* volatile memory = std::malloc(16);
    std::free(memory);
    if (RealTimeGuard::counts()) CHECK(guard.calls() > 0);
}

TEST_CASE("plug-ins: no heap, no lock when a control moves on the audio thread", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    int calls = -1;
    std::thread audio([&] { // VST3 and LV2 bring automation with the block
        const auto positions = random_positions(control_count(p->layout()), 3);
        const RealTimeGuard guard;
        for (std::size_t i = 0; i < positions.size(); ++i)
            p->getParameters().getUnchecked(static_cast<int>(i))->setValue(positions[i]);
        calls = guard.calls();
    });
    audio.join();
    CHECK(calls == 0);
    CHECK(p->settings() != make(plugin)->settings());
}

TEST_CASE("plug-ins: what a careless host may do", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    juce::MidiBuffer midi;
    juce::AudioBuffer<float> none(0, 64), empty;
    p->processBlock(none, midi);
    p->processBlock(empty, midi);

    const auto before = p->settings();
    for (auto* parameter : p->getParameters()) parameter->setValue(std::numeric_limits<float>::quiet_NaN());
    CHECK(p->settings() == before);
    for (auto* parameter : p->getParameters()) parameter->setValue(7.0f);
    CHECK(all_allowed(*p));
    for (auto* parameter : p->getParameters()) parameter->setValue(-std::numeric_limits<float>::infinity());
    CHECK(all_allowed(*p));

    set_state_text(*p, state_text(*make(plugin)));
    auto bad = bursts(inputs(*p), 4'000);
    for (auto& c : bad)
        c[10] = std::numeric_limits<float>::quiet_NaN(), c[600] = std::numeric_limits<float>::infinity();
    CHECK(all_finite(play(*p, bad, block_sizes(4'000))));
    CHECK(all_finite(play(*p, bad, block_sizes(4'000), 2'000)));

    p->prepareToPlay(1'000.0, 512); // below what the DSP does: the input goes through, or nothing in Sum
    const auto in = bursts(inputs(*p), 600);
    const auto out = play(*p, in, {600});
    CHECK(first_difference(Channels(1, out[0]), Channels(1, plugin == "sum" ? Signal(600, 0.0f) : in[0])) ==
          kSame);
    p->prepareToPlay(kRate, 512);
    CHECK(all_finite(play(*p, in, {600})));
}

TEST_CASE("plug-ins: reset and a new rate start from silence", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    const Channels silence(inputs(*p), Signal(4'000, 0.0f));
    play(*p, bursts(inputs(*p), 4'000), {4'000});
    p->reset();
    for (const auto& c : play(*p, silence, {4'000}))
        CHECK(first_difference(Channels(1, c), Channels(1, silence[0])) == kSame);
    play(*p, bursts(inputs(*p), 4'000), {4'000});
    p->prepareToPlay(96'000.0, 64);
    for (const auto& c : play(*p, silence, {4'000}))
        CHECK(first_difference(Channels(1, c), Channels(1, silence[0])) == kSame);
}

TEST_CASE("plug-ins: channel layouts that make sense, and no others", "[plugins]") {
    using Set = juce::AudioChannelSet;
    const auto takes = [](std::string_view plugin, std::vector<Set> in, Set out) {
        juce::AudioProcessor::BusesLayout layout;
        for (const auto& set : in) layout.inputBuses.add(set);
        layout.outputBuses.add(out);
        return make(plugin)->checkBusesLayoutSupported(layout);
    };
    const auto mono = Set::mono(), stereo = Set::stereo(), off = Set::disabled(), quad = Set::quadraphonic();
    CHECK(takes("kick", {mono}, mono));
    CHECK(takes("kick", {stereo}, stereo));
    CHECK_FALSE(takes("kick", {mono}, stereo));
    CHECK_FALSE(takes("kick", {quad}, quad));
    CHECK_FALSE(takes("kick", {off}, off));
    for (const auto& key : {off, mono, stereo}) {
        CHECK(takes("gate", {mono, key}, mono));
        CHECK(takes("gate", {stereo, key}, stereo));
        CHECK(takes("bus", {stereo, key}, stereo));
    }
    CHECK_FALSE(takes("gate", {stereo, quad}, stereo));
    CHECK_FALSE(takes("bus", {mono, off}, mono));
    std::vector<Set> mics(16, mono);
    CHECK(takes("sum", mics, stereo));
    mics[3] = mics[9] = off;
    CHECK(takes("sum", mics, stereo));
    CHECK_FALSE(takes("sum", mics, mono));
    mics[4] = stereo;
    CHECK_FALSE(takes("sum", mics, stereo));
}

TEST_CASE("plug-ins: a mic that is not connected is silence to Sum", "[plugins]") {
    auto p = make("sum");
    juce::AudioProcessor::BusesLayout layout;
    for (std::size_t m = 0; m < kSumMics; ++m)
        layout.inputBuses.add(m == 0 || m == 5 ? juce::AudioChannelSet::mono()
                                               : juce::AudioChannelSet::disabled());
    layout.outputBuses.add(juce::AudioChannelSet::stereo());
    REQUIRE(p->setBusesLayout(layout));
    p->prepareToPlay(kRate, 512);
    type_in(*p, "mic_06_pan", "R 100");
    type_in(*p, "mic_01_pan", "L 100");
    const auto in = bursts(2, 1'000);
    const auto out = play(*p, in, {1'000});
    CHECK(first_difference(out, in) == kSame); // pan law: a mic panned hard is at unity
}

TEST_CASE("plug-ins: look-ahead is reported, and bypass keeps the time", "[plugins]") {
    auto p = ready("gate");
    type_in(*p, "lookahead_ms", "5");
    CHECK(p->getLatencySamples() == 240); // 5 ms at 48 kHz
    p->prepareToPlay(96'000.0, 512);
    CHECK(p->getLatencySamples() == 480);
    p->prepareToPlay(kRate, 512);
    type_in(*p, "range_db", "-inf");
    const auto in = bursts(inputs(*p), 20'000);
    const auto out = play(*p, in, block_sizes(20'000), 0); // bypassed from the start: the input, 240 later
    for (std::size_t c = 0; c < 2; ++c) {
        CHECK(std::equal(in[c].begin(), in[c].end() - 240, out[c].begin() + 240));
        CHECK(std::all_of(out[c].begin(), out[c].begin() + 240, [](float x) { return x == 0.0f; }));
    }
}

TEST_CASE("plug-ins: bypass fades within 20 ms, without a step", "[plugins]") {
    auto p = ready("kick");
    type_in(*p, "level_db", "-24");
    const Channels in(2, Signal(9'600, 0.25f)); // steady: any step is the switch's own
    type_in(*p, "high_pass_slope", "off");
    const auto out = play(*p, in, std::vector<int>(75, 128), 4'800)[0];
    float largest = 0.0f;
    for (std::size_t n = 4'000; n < out.size(); ++n)
        largest = std::max(largest, std::abs(out[n] - out[n - 1]));
    CHECK(largest > 0.0f);
    CHECK(largest <= 0.25f / 960.0f * 1.01f); // 20 ms at 48 kHz is 960 steps over less than the whole
    CHECK(out[4'864 + 960] == 0.25f);
    CHECK(out.back() == 0.25f);
}

TEST_CASE("plug-ins: Sum's bypass takes the corrections out and keeps the balance and the time",
          "[plugins]") {
    constexpr int kLate = dsp::MicDelays::kMargin;
    auto p = ready("sum");
    type_in(*p, "mic_01_pan", "L 100");
    type_in(*p, "mic_01_polarity", "inverted");
    type_in(*p, "mic_02_pan", "R 100");
    type_in(*p, "mic_02_delay_ms", "0.1"); // 4.8 samples: a fractional delay needs room
    CHECK(p->getLatencySamples() == kLate);
    Channels in(kSumMics, Signal(2'000, 0.0f));
    in[0] = noise(2'000, 1), in[1] = noise(2'000, 2);
    const auto out = play(*p, in, {2'000}, 0);
    for (std::size_t c = 0; c < 2; ++c)
        CHECK(std::equal(in[c].begin(), in[c].end() - kLate, out[c].begin() + kLate));
}

TEST_CASE("plug-ins: factory presets are programs", "[plugins]") {
    const auto plugin = GENERATE(from_range(kPlugins));
    auto p = ready(plugin);
    REQUIRE(p->getNumPrograms() == 1 + static_cast<int>(factory_presets(plugin).size()));
    CHECK(p->getProgramName(0) == "Default");
    const auto defaults = p->settings();
    for (int i = 1; i < p->getNumPrograms(); ++i) {
        p->setCurrentProgram(i);
        CAPTURE(plugin, p->getProgramName(i).toStdString());
        CHECK(p->getProgramName(i).isNotEmpty());
        CHECK(p->settings() != defaults);
        CHECK(all_allowed(*p));
        auto other = ready(plugin);
        set_state_text(*other, state_text(*p));
        CHECK(other->settings() == p->settings());
        CHECK(other->getCurrentProgram() ==
              i); // or a host that restores its program number would undo the state
    }
    p->setCurrentProgram(999);
    p->setCurrentProgram(-1);
    CHECK(p->getCurrentProgram() == p->getNumPrograms() - 1);
}

TEST_CASE("plug-ins: identifiers and ranges are what hosts have stored", "[plugins]") {
    // the first and the last of each, by hand: a change here breaks sessions of people
    const auto id = [](Processor& p, int i) {
        return static_cast<juce::RangedAudioParameter*>(p.getParameters()[i])->getParameterID().toStdString();
    };
    auto kick = make("kick"), gate = make("gate"), bus = make("bus"), sum = make("sum"), damp = make("damp");
    CHECK(kick->getParameters().size() == 11);
    CHECK(id(*kick, 0) == "high_pass_hz");
    CHECK(id(*kick, 10) == "level_db");
    CHECK(gate->getParameters().size() == 13);
    CHECK(id(*gate, 0) == "threshold_db");
    CHECK(id(*gate, 12) == "gate_open");
    CHECK(bus->getParameters().size() == 10);
    CHECK(id(*bus, 9) == "gain_reduction_db");
    CHECK(sum->getParameters().size() == 4 + 16 * 7 + 16 * 7 + 1 + 4 + 16);
    CHECK(id(*sum, 0) == "pan_law_db");
    CHECK(id(*sum, 4) == "mic_01_level_db");
    CHECK(id(*sum, 4 + 16 * 7 - 1) == "mic_16_role");
    CHECK(id(*sum, 4 + 16 * 7) == "mic_01_gate");
    CHECK(id(*sum, 4 + 16 * 7 + 1) == "mic_01_gate_threshold_db");
    CHECK(id(*sum, 4 + 16 * 7 + 16 * 7 - 1) == "mic_16_gate_lookahead_ms");
    CHECK(id(*sum, 4 + 16 * 7 + 16 * 7) == "learn");
    CHECK(id(*sum, 4 + 16 * 7 + 16 * 7 + 1) == "kit_known");
    CHECK(id(*sum, 4 + 16 * 7 + 16 * 7 + 1 + 4 + 15) == "mic_16_gate_state");
    CHECK(damp->getParameters().size() == 4 + 1 + 6 * 4 + 1 + 3);
    CHECK(id(*damp, 0) == "amount");
    CHECK(id(*damp, 4) == "rings");
    CHECK(id(*damp, 5) == "ring_1_hz");
    CHECK(id(*damp, 28) == "ring_6_open_ring_ms");
    CHECK(id(*damp, 29) == "learn");
    CHECK(id(*damp, 32) == "opening");
    for (auto* p : {kick.get(), gate.get(), bus.get(), sum.get(), damp.get()})
        for (auto* parameter : p->getParameters()) {
            CHECK(static_cast<juce::RangedAudioParameter*>(parameter)->getVersionHint() == 1);
            CHECK(std::isfinite(
                static_cast<juce::RangedAudioParameter*>(parameter)->getNormalisableRange().start));
            CHECK(std::isfinite(
                static_cast<juce::RangedAudioParameter*>(parameter)->getNormalisableRange().end));
        }
}

TEST_CASE("plug-ins: meters show what the block does and are no part of the state", "[plugins]") {
    auto p = ready("bus");
    type_in(*p, "threshold_db", "-30");
    type_in(*p, "ratio", "limit");
    type_in(*p, "knee_db", "0");
    type_in(*p, "attack_ms", "0.05");
    type_in(*p, "key_high_pass_hz", "off");
    const auto state = state_text(*p);
    play(*p, Channels(4, Signal(24'000, 0.25f)), {24'000});
    pump_polls();
    const auto meter = p->getParameters()[9];
    // 0.25 is -12.04 dBFS: 17.96 dB over the threshold, and a limiter takes all of it
    CHECK(meter->getCurrentValueAsText() == "18.0 dB");
    CHECK_FALSE(meter->isAutomatable());
    meter->setValueNotifyingHost(0.0f);
    CHECK(meter->getCurrentValueAsText() == "18.0 dB");
    CHECK(state_text(*p) == state);

    auto gate = ready("gate");
    play(*gate, Channels(4, Signal(4'800, 0.25f)), {4'800});
    pump_polls();
    CHECK(gate->getParameters()[12]->getCurrentValueAsText() == "on");
    play(*gate, Channels(4, Signal(96'000, 0.0f)), {48'000, 48'000});
    pump_polls();
    CHECK(gate->getParameters()[12]->getCurrentValueAsText() == "off");
    CHECK(gate->getParameters()[11]->getCurrentValueAsText() == "40.0 dB"); // the range
}

// Hidden; ask for them by their tags.

TEST_CASE("plug-ins: what a host shows", "[.table]") {
    for (const auto& plugin : kPlugins) {
        auto p = ready(plugin);
        std::printf("\n%s\n%-24s %-24s %-12s %-12s %-12s\n", p->getName().toRawUTF8(), "identifier", "name",
                    "lowest", "default", "highest");
        for (auto* parameter : p->getParameters()) {
            const auto id = static_cast<juce::RangedAudioParameter*>(parameter)->getParameterID();
            if (id.startsWith("mic_") && !id.startsWith("mic_01")) continue;  // sixteen alike
            if (id.startsWith("ring_") && !id.startsWith("ring_1")) continue; // six alike
            const auto at = [&](float position) { return parameter->getText(position, 64); };
            std::printf("%-24s %-24s %-12s %-12s %-12s\n", id.toRawUTF8(), parameter->getName(64).toRawUTF8(),
                        at(0.0f).toRawUTF8(), at(parameter->getDefaultValue()).toRawUTF8(),
                        at(1.0f).toRawUTF8());
        }
    }
}

namespace {

std::string everything_on(std::string_view plugin) {
    dsp::Json state;
    if (plugin == "kick")
        state["filters"] = {{"box_db", -6}, {"bleed_cut_hz", 5000}, {"bleed_cut_slope", 24}};
    if (plugin == "gate")
        state["gate"] = {
            {"key", "side_chain"}, {"lookahead_ms", 2}, {"key_high_pass_hz", 80}, {"key_low_pass_hz", 4000}};
    if (plugin == "bus") state["bus"] = {{"key", "side_chain"}, {"release_ms", "programme"}, {"blend", 0.7}};
    if (plugin == "damp") {
        state["damp"] = {{"amount", 1}, {"high_db_per_s", 80}, {"tail_db_per_s", 20}};
        for (int ring = 0; ring < 6; ++ring) state["damp"]["bands"].push_back({{"hz", 100 + 80 * ring}});
    }
    for (int mic = 0; plugin.starts_with("sum") && mic < 16; ++mic) {
        state["mics"].push_back({{"delay_ms", 0.137 * mic}, {"pan", mic / 8.0 - 1.0}});
        if (plugin == "sum, 16 gates") state["mics"].back()["gate"] = {{"lookahead_ms", 1}};
    }
    return state.dump();
}

} // namespace

TEST_CASE("plug-ins: time per block of 64 samples at 48 kHz, everything at work", "[.cost]") {
    using Clock = std::chrono::steady_clock;
    for (std::string plugin : {"kick", "gate", "bus", "sum", "damp", "sum, 16 gates", "sum, 2 kit gates"}) {
        auto p = ready(plugin.starts_with("sum") ? "sum" : plugin);
        set_state_text(*p, plugin == "sum, 2 kit gates" ? two_mics_that_know_each_other()
                                                        : everything_on(plugin));
        juce::MidiBuffer midi;
        const auto in = bursts(inputs(*p), 64);
        juce::AudioBuffer<float> audio(static_cast<int>(inputs(*p)), 64);
        std::vector<double> microseconds;
        for (int i = 0; i < 20'000; ++i) {
            for (int c = 0; c < audio.getNumChannels(); ++c)
                audio.copyFrom(c, 0, in[static_cast<std::size_t>(c)].data(), 64);
            const auto before = Clock::now();
            p->processBlock(audio, midi);
            microseconds.push_back(std::chrono::duration<double, std::micro>(Clock::now() - before).count());
        }
        std::sort(microseconds.begin(), microseconds.end());
        const double median = microseconds[microseconds.size() / 2];
        std::printf("%-16s %2d in: median %.2f us, that is %.3f %% of the 1333 us that the block lasts\n",
                    plugin.c_str(), static_cast<int>(inputs(*p)), median, median / 13.333);
    }
}
