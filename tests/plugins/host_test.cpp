// The bundles in a host: JUCE's, which loads VST3 and LV2.
#include "hosting.h"
#include "support.h"
#include <atomic>
#include <catch2/catch.hpp>
#include <thread>

using namespace kitfold;
using namespace kitfold::plugins;
using namespace kitfold::plugins::test;

namespace {

Layout layout_of(const Bundle& bundle) { return plugins::layout_of(bundle.plugin, bundle.channels); }

/// Sets every control of the layout in the host and gives the settings that this must mean. LV2 hosts speak
/// in ordinary numbers, in float; VST3 hosts in positions.
std::vector<double> set_all(juce::AudioProcessor& p, const Bundle& bundle, bool numbers, unsigned seed) {
    std::vector<double> settings;
    const auto layout = layout_of(bundle);
    const auto positions = random_positions(control_count(layout), seed);
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls) {
            auto* parameter = named(p, control.name);
            CAPTURE(control.name);
            REQUIRE(parameter != nullptr);
            const float position = positions[settings.size()];
            parameter->setValueNotifyingHost(position);
            const HostRange range(*control.parameter);
            double at = static_cast<double>(position);
            if (numbers) { // what the host sends is min + position (max - min), in float
                const auto first = static_cast<float>(range.start), last = static_cast<float>(range.end);
                const juce::NormalisableRange<float> plain(first, last);
                const auto number = static_cast<double>(plain.convertFrom0to1(position));
                at = static_cast<double>(
                    static_cast<float>(dsp::to_position(*control.parameter, range.to_setting(number))));
            }
            settings.push_back(setting_at(*control.parameter, at));
        }
    return settings;
}

Channels input_for(juce::AudioProcessor& p) {
    return bursts(static_cast<std::size_t>(p.getTotalNumInputChannels()), 9'000);
}

/// With one key where the reference takes one.
Channels heard_by(const Bundle& bundle, Channels in) {
    if (std::string_view(bundle.plugin) == "gate" && bundle.channels == 1) in[2] = in[1];
    return in;
}

void check_sound(Instance p, const Bundle& bundle, bool numbers, double rate_hz, unsigned seed) {
    const auto settings = set_all(*p, bundle, numbers, seed);
    const auto in = heard_by(bundle, input_for(*p));
    CHECK(first_difference(play(*p, in, block_sizes(9'000, numbers ? 3'000 : 512)),
                           reference(bundle.plugin, bundle.channels, settings, in, rate_hz)) == kSame);
}

/// Settings saved from one instance make another one sound the same, and so does a preset.
void check_state(Instance a, Instance b, const Bundle& bundle) {
    const auto in = input_for(*a);
    set_all(*a, bundle, false, 11);
    play(*a, in, {64});
    juce::MemoryBlock state;
    a->getStateInformation(state);
    b->setStateInformation(state.getData(), static_cast<int>(state.getSize()));
    Channels first;
    CHECK(pump_until([&] { // until the state has reached every control
        a->reset(), b->reset();
        a->releaseResources(), b->releaseResources();
        a->prepareToPlay(kRate, 512), b->prepareToPlay(kRate, 512);
        first = play(*a, in, block_sizes(9'000, 512));
        return first_difference(first, play(*b, in, block_sizes(9'000, 512))) == kSame;
    }));
    CHECK(first_difference(first, in) != kSame);
}

} // namespace

TEST_CASE("VST3: plays what the DSP library computes, bit for bit", "[plugins]") {
    const auto bundle = GENERATE(from_range(std::begin(kVst3), std::end(kVst3)));
    const double rate_hz = GENERATE(44'100.0, 96'000.0);
    const unsigned seed = GENERATE(range(0u, 3u));
    CAPTURE(bundle.name, rate_hz, seed);
    check_sound(load_vst3(bundle, rate_hz), bundle, false, rate_hz, seed);
}

TEST_CASE("LV2: plays what the DSP library computes, bit for bit", "[plugins]") {
    const auto bundle = GENERATE(from_range(std::begin(kLv2), std::end(kLv2)));
    const double rate_hz = GENERATE(44'100.0, 96'000.0);
    const unsigned seed = GENERATE(range(0u, 3u));
    CAPTURE(bundle.name, rate_hz, seed);
    check_sound(load_lv2(bundle, rate_hz), bundle, true, rate_hz, seed);
}

TEST_CASE("VST3 and LV2: state saved in one instance works in another", "[plugins]") {
    for (const auto& bundle : kVst3) {
        CAPTURE(bundle.name);
        check_state(load_vst3(bundle), load_vst3(bundle), bundle);
    }
    for (const auto& bundle : kLv2) {
        CAPTURE(bundle.name);
        check_state(load_lv2(bundle), load_lv2(bundle), bundle);
    }
}

TEST_CASE("VST3: every control and its texts", "[plugins]") {
    const auto bundle = GENERATE(from_range(std::begin(kVst3), std::end(kVst3)));
    auto p = load_vst3(bundle);
    const auto layout = layout_of(bundle);
    for (const auto& group : layout.groups)
        for (const auto& control : group.controls) {
            CAPTURE(bundle.name, control.name);
            auto* parameter = named(*p, control.name);
            REQUIRE(parameter != nullptr);
            CHECK(parameter->isAutomatable());
            CHECK(parameter->getCurrentValueAsText().toStdString() ==
                  dsp::text(*control.parameter, control.parameter->fallback));
            for (int i = 0; i <= 40; ++i) {
                const auto text = parameter->getText(static_cast<float>(i) / 40.0f, 64);
                REQUIRE(parameter->getText(parameter->getValueForText(text), 64) == text);
            }
        }
    for (const auto& meter : layout.meters) {
        REQUIRE(named(*p, meter.name) != nullptr);
        CHECK_FALSE(named(*p, meter.name)->isAutomatable());
    }
}

TEST_CASE("LV2: choices keep their labels in a host", "[plugins]") {
    for (const auto& bundle : kLv2) {
        auto p = load_lv2(bundle);
        for (const auto& group : layout_of(bundle).groups)
            for (const auto& control : group.controls) {
                if (control.parameter->choices.empty()) continue;
                CAPTURE(bundle.name, control.name);
                auto* parameter = named(*p, control.name);
                CHECK(parameter->getCurrentValueAsText().toStdString() ==
                      dsp::text(*control.parameter, control.parameter->fallback));
                for (const auto& choice : control.parameter->choices) {
                    const juce::String label(std::string(choice.label));
                    CHECK(parameter->getText(parameter->getValueForText(label), 64) == label);
                }
            }
    }
}

TEST_CASE("VST3 and LV2: names, programs and a program change", "[plugins]") {
    const auto check = [](Instance p, const Bundle& bundle) {
        CAPTURE(bundle.name);
        CHECK(p->getName().toStdString() == std::string(layout_of(bundle).name));
        const auto presets = factory_presets(bundle.plugin).size();
        if (presets == 0) return; // VST3 does not speak of a single program
        REQUIRE(p->getNumPrograms() == static_cast<int>(presets) + 1);
        const auto in = input_for(*p);
        const auto plain = play(*p, in, {512});
        for (int i = 0; i < p->getNumPrograms(); ++i) // LV2 hosts order presets as they like
            if (p->getProgramName(i) != "Default") p->setCurrentProgram(i);
        CHECK(pump_until([&] {
            p->releaseResources();
            p->prepareToPlay(kRate, 512);
            return first_difference(play(*p, in, {512}), plain) != kSame;
        }));
    };
    for (const auto& bundle : kVst3) check(load_vst3(bundle), bundle);
    for (const auto& bundle : kLv2) check(load_lv2(bundle), bundle);
}

TEST_CASE("VST3 and LV2: look-ahead reaches the host as latency", "[plugins]") {
    const auto check = [](Instance p) {
        auto* parameter = named(*p, "Look-ahead");
        REQUIRE(parameter != nullptr);
        CHECK(p->getLatencySamples() == 0);
        parameter->setValueNotifyingHost(0.5f); // 5 ms of 10
        pump_until([&] {
            play(*p, input_for(*p), {512, 512});
            return p->getLatencySamples() != 0;
        });
        CHECK(p->getLatencySamples() == 240); // at 48 kHz
    };
    for (const auto& bundle : kVst3)
        if (std::string_view(bundle.plugin) == "gate") check(load_vst3(bundle));
    for (const auto& bundle : kLv2)
        if (std::string_view(bundle.plugin) == "gate") check(load_lv2(bundle));
}

TEST_CASE("VST3 and LV2: bypassed by the host, the input comes through", "[plugins]") {
    const auto check = [](Instance p, const Bundle& bundle, bool numbers) {
        if (std::string_view(bundle.plugin) == "sum") return;
        CAPTURE(bundle.name);
        const auto in = input_for(*p);
        if (numbers) p->getBypassParameter()->setValueNotifyingHost(1.0f); // LV2: the port "enabled"
        const auto out = play(*p, in, block_sizes(9'000, 512), 0);
        for (std::size_t c = 0; c < out.size(); ++c)
            CHECK(std::equal(out[c].begin() + 2'000, out[c].end(), in[c].begin() + 2'000));
    };
    for (const auto& bundle : kVst3) check(load_vst3(bundle), bundle, false);
    for (const auto& bundle : kLv2) check(load_lv2(bundle), bundle, true);
}

TEST_CASE("VST3 and LV2: controls and state from other threads while audio runs", "[plugins]") {
    const auto check = [](Instance p, const Bundle& bundle) {
        CAPTURE(bundle.name);
        const auto layout = layout_of(bundle);
        std::atomic<bool> stop{false};
        bool finite = true;
        std::thread audio([&] {
            const auto in = input_for(*p);
            while (!stop.load()) finite = finite && all_finite(play(*p, in, {64, 32, 1}));
        });
        std::thread surface([&] {
            for (unsigned i = 0; i < 200; ++i)
                for (auto* parameter : p->getParameters())
                    if (parameter->isAutomatable())
                        parameter->setValueNotifyingHost(static_cast<float>(i % 7) / 6.0f);
        });
        juce::MemoryBlock state;
        for (int i = 0; i < 20; ++i) {
            p->getStateInformation(state);
            p->setStateInformation(state.getData(), static_cast<int>(state.getSize()));
            pump_once();
        }
        surface.join();
        stop.store(true);
        audio.join();
        CHECK(finite);
    };
    for (const auto& bundle : kVst3) check(load_vst3(bundle), bundle);
    for (const auto& bundle : kLv2) check(load_lv2(bundle), bundle);
}

TEST_CASE("VST3: Damp learns without a window, and the host's controls show it", "[plugins]") {
    const auto check = [](Instance p, const Bundle& bundle) {
        CAPTURE(bundle.name);
        const auto shows = [&p](const char* name) { return named(*p, name)->getCurrentValueAsText(); };
        const auto wait_for = [&](const char* name, const char* text) {
            pump_until([&] {
                play(*p, Channels(2, Signal(512, 0.0f)), {512});
                return shows(name) == text;
            });
            REQUIRE(shows(name) == text);
        };
        named(*p, "Learn")->setValueNotifyingHost(1.0f);
        wait_for("Learned", "listening");
        const auto x = membrane(kRate, 5);
        play(*p, Channels(2, x), block_sizes(x.size(), 512));
        named(*p, "Learn")->setValueNotifyingHost(0.0f);
        wait_for("Learned", "4 rings");
        CHECK(shows("Hits heard").getIntValue() == 5);
        CHECK(named(*p, "Ring 1")->getText(named(*p, "Ring 1")->getValue(), 64).getDoubleValue() ==
              Approx(kMembraneHz).epsilon(0.02).margin(0));
        CHECK(shows("Rings") == "4");
    };
    for (const auto& bundle : kVst3)
        if (std::string_view(bundle.plugin) == "damp") check(load_vst3(bundle), bundle);
}

TEST_CASE("VST3: Sum learns without a window, and says what it knows", "[plugins]") {
    auto p = load_vst3(*std::find_if(std::begin(kVst3), std::end(kVst3),
                                     [](const auto& b) { return std::string_view(b.plugin) == "sum"; }));
    const auto shows = [&p](const char* name) {
        return named(*p, name)->getCurrentValueAsText().toStdString();
    };
    const auto type = [&p](const char* name, const char* text) {
        named(*p, name)->setValueNotifyingHost(named(*p, name)->getValueForText(text));
    };
    const auto wait_for = [&](const char* name, const std::string& text) {
        pump_until([&] {
            play(*p, Channels(kSumMics, Signal(512, 0.0f)), {512});
            return shows(name) == text;
        });
        REQUIRE(shows(name) == text);
    };
    type("Mic 1 role", "kick in");
    type("Mic 2 role", "snare top");
    type("Mic 1 gate", "kit");
    wait_for("Mic 1 gate state", "shut (plain, kit not known)");
    const auto kick = membrane(kRate, 4), snare = membrane(kRate, 4, 0.7); // by turns, in each other's mic
    Channels strokes(kSumMics, Signal(kick.size(), 0.0f));
    for (std::size_t n = 0; n < kick.size(); ++n)
        strokes[0][n] = kick[n] + 0.1f * snare[n], strokes[1][n] = snare[n] + 0.1f * kick[n];
    type("Learn", "on");
    wait_for("Learning", "listening");
    play(*p, strokes, block_sizes(strokes[0].size(), 512));
    type("Learn", "off");
    wait_for("Learning", "learned");
    CHECK(shows("Learn") == "off");
    CHECK(shows("Kit known") == "2 mics");
    CHECK(shows("Mic 1 gate threshold") != "-30.0 dB");
    wait_for("Mic 1 gate state", "shut");
}

TEST_CASE("VST3: layouts that make no sense are refused, and the plug-in plays on", "[plugins]") {
    for (const auto& bundle : kVst3) {
        CAPTURE(bundle.name);
        auto p = load_vst3(bundle);
        const auto before = p->getBusesLayout();
        p->releaseResources();
        auto quad = before;
        quad.inputBuses.getReference(0) = juce::AudioChannelSet::quadraphonic();
        quad.outputBuses.getReference(0) = juce::AudioChannelSet::quadraphonic();
        CHECK_FALSE(p->setBusesLayout(quad));
        CHECK(p->getBusesLayout() == before);
        p->prepareToPlay(kRate, 512);
        CHECK(all_finite(play(*p, input_for(*p), {512})));
    }
}

TEST_CASE("VST3: broken states do no harm in a host", "[plugins]") {
    for (const auto& bundle : kVst3) {
        CAPTURE(bundle.name);
        auto p = load_vst3(bundle);
        const StateInHost whole(*p);
        std::mt19937 random(5);
        for (int i = 0; i < 200; ++i) {
            auto broken = whole.own();
            for (int k = 0; k < 3; ++k) broken[random() % broken.size()] = static_cast<char>(random() % 256);
            if (i % 3 == 0) broken.resize(1 + random() % broken.size());
            whole.give(*p, broken);
            if (i % 20 == 0) REQUIRE(all_finite(play(*p, input_for(*p), {64})));
        }
    }
}
