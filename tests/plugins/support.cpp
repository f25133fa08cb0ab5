#include "support.h"
#include <catch2/catch.hpp>

namespace kitfold::plugins::test {

std::unique_ptr<Processor> ready(std::string_view plugin, std::size_t channels, double rate_hz) {
    auto p = make(plugin, channels);
    p->enableAllBuses();
    p->setRateAndBufferSizeDetails(rate_hz, 512);
    p->prepareToPlay(rate_hz, 512);
    return p;
}

Channels play(juce::AudioProcessor& plugin, const Channels& in, const std::vector<int>& blocks,
              std::size_t bypassed_from) {
    const auto outputs = static_cast<std::size_t>(plugin.getTotalNumOutputChannels());
    Channels out(outputs);
    juce::MidiBuffer midi;
    std::size_t at = 0;
    for (const int frames : blocks) {
        juce::AudioBuffer<float> audio(static_cast<int>(std::max(in.size(), outputs)), frames);
        audio.clear();
        for (std::size_t c = 0; c < in.size(); ++c)
            for (int n = 0; n < frames; ++n)
                audio.setSample(static_cast<int>(c), n, in[c][at + static_cast<std::size_t>(n)]);
        if (at >= bypassed_from)
            plugin.processBlockBypassed(audio, midi);
        else
            plugin.processBlock(audio, midi);
        for (std::size_t c = 0; c < outputs; ++c) {
            const auto* samples = audio.getReadPointer(static_cast<int>(c));
            out[c].insert(out[c].end(), samples, samples + frames);
        }
        at += static_cast<std::size_t>(frames);
    }
    return out;
}

void add_ring(Signal& out, double rate_hz, std::size_t from, double level, double hz, double ring_ms) {
    for (auto n = from; n < out.size(); ++n) {
        const double t = static_cast<double>(n - from) / rate_hz;
        out[n] +=
            static_cast<float>(level * std::exp(-6907.755 / ring_ms * t) * std::sin(2.0 * M_PI * hz * t));
    }
}

Signal membrane(double rate_hz, std::size_t strokes, double before) {
    const auto at = [&](double seconds) { return static_cast<std::size_t>(seconds * rate_hz); };
    auto out = noise(at(before + 0.9 * static_cast<double>(strokes)), 5);
    for (auto& x : out) x *= 1e-4f;
    for (std::size_t s = 0; s < strokes; ++s) {
        const double gain = 0.3 / (1.0 + 0.3 * static_cast<double>(s % 4));
        const auto from = at(before + 0.9 * static_cast<double>(s));
        for (const auto& p : kMembrane)
            add_ring(out, rate_hz, from, gain * p.level, kMembraneHz * p.ratio, p.ring_ms);
    }
    return out;
}

int index_of(const Processor& p, std::string_view id) {
    for (int i = 0; i < p.getParameters().size(); ++i)
        if (static_cast<juce::RangedAudioParameter*>(p.getParameters()[i])->getParameterID() ==
            juce::String(id.data(), id.size()))
            return i;
    FAIL("no control " << id);
    return -1;
}

std::string shown(const Processor& p, std::string_view id) {
    return p.getParameters()[index_of(p, id)]->getCurrentValueAsText().toStdString();
}

void pump_once() { juce::MessageManager::getInstance()->runDispatchLoopUntil(2); }

void pump_polls() {
    struct Tick final : juce::Timer {
        void timerCallback() override { came = true; }
        bool came = false;
    } tick;
    tick.startTimer(60); // JUCE calls timers in the order in which they fall due, and a poll is due every 50
    REQUIRE(pump_until([&] { return tick.came; }));
}

void wait_for(const Processor& p, std::string_view id, const std::string& text) {
    pump_until([&] { return shown(p, id) == text; });
    REQUIRE(shown(p, id) == text);
}

void type_in(Processor& p, std::string_view id, const char* text) {
    auto* parameter = p.getParameters()[index_of(p, id)];
    parameter->setValueNotifyingHost(parameter->getValueForText(text));
}

void set_controls(Processor& plugin, const std::vector<float>& positions) {
    for (std::size_t i = 0; i < positions.size(); ++i)
        plugin.getParameters()[static_cast<int>(i)]->setValueNotifyingHost(positions[i]);
}

std::vector<float> random_positions(std::size_t count, unsigned seed) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<float> position(0.0f, 1.0f);
    std::vector<float> out(count);
    for (auto& p : out) p = position(random);
    return out;
}

namespace {

std::vector<const float*> pointers(const Channels& in) {
    std::vector<const float*> out;
    for (const auto& c : in) out.push_back(c.data());
    return out;
}

Channels gate_reference(std::size_t channels, const dsp::GateSettings& s, const Channels& in,
                        double rate_hz) {
    Channels out(channels, Signal(in[0].size()));
    const bool keyed = s.key == dsp::GateKey::side_chain;
    if (channels == 1) { // the plug-in goes through LinkedGate; the session's strip is this
        dsp::Gate<float, double> gate;
        if (!gate.prepare(rate_hz) || gate.set(s) != nullptr) return {};
        gate.process(in[0].data(), keyed ? in[1].data() : in[0].data(), out[0].data(), in[0].size());
        return out;
    }
    dsp::LinkedGate gate;
    if (!gate.prepare(rate_hz) || gate.set(s) != nullptr) return {};
    const auto all = pointers(in);
    float* outs[] = {out[0].data(), out[1].data()};
    const auto main = std::span(all).first(2);
    gate.process(main, keyed ? std::span(all).subspan(2) : main, outs, in[0].size());
    return out;
}

Channels damp_reference(std::size_t channels, const std::vector<double>& values, const Channels& in,
                        double rate_hz) {
    auto settings = settings_from<dsp::DampSettings>(values.data());
    const auto* at = values.data() + dsp::fields<dsp::DampSettings>().size();
    settings.band_count = static_cast<std::size_t>(*at++);
    for (auto& band : settings.bands) {
        band = settings_from<dsp::RingBand>(at);
        at += dsp::fields<dsp::RingBand>().size();
    }
    Channels out(channels, Signal(in[0].size()));
    for (std::size_t c = 0; c < channels; ++c) {
        dsp::Damp<float> damp;
        if (!damp.prepare(rate_hz) || damp.set(settings) != nullptr) return {};
        damp.process(in[c].data(), out[c].data(), in[c].size());
    }
    return out;
}

/// Place of a control of Sum's among the values.
std::size_t sum_value(const std::string& id) {
    std::size_t at = 0;
    for (const auto& group : sum_layout().groups)
        for (const auto& control : group.controls) {
            if (control.id == id) return at;
            ++at;
        }
    FAIL("no control " << id);
    return 0;
}

/// By the identifiers; without a table a gate that is to listen to the kit is a plain one.
std::optional<dsp::GateSettings> sum_gate(const std::vector<double>& values, std::size_t mic) {
    const auto at = sum_value((mic < 9 ? "mic_0" : "mic_") + std::to_string(mic + 1) + "_gate");
    if (values[at] == 0.0) return {};
    const auto* v = values.data() + at + 1; // as the test of the identifiers has them
    return dsp::GateSettings{.threshold_db = v[0],
                             .attack_ms = v[2],
                             .hold_ms = v[3],
                             .release_ms = v[4],
                             .range_db = v[1],
                             .lookahead_ms = v[5]};
}

Channels sum_reference(const std::vector<double>& values, const Channels& in, double rate_hz) {
    Channels out(2, Signal(in[0].size()));
    dsp::Sum sum;
    bool good = sum.prepare(rate_hz, kSumMics);
    const auto sum_count = dsp::fields<dsp::SumSettings>().size(),
               mic_count = dsp::fields<dsp::MicSettings>().size();
    good = good && sum.set(settings_from<dsp::SumSettings>(values.data())) == nullptr;
    for (std::size_t m = 0; m < kSumMics; ++m) {
        const auto mic = settings_from<dsp::MicSettings>(values.data() + sum_count + m * mic_count);
        good = good && sum.set(m, mic) == nullptr && sum.set_gate(m, sum_gate(values, m)) == nullptr;
    }
    if (!good) return {};
    sum.settle();
    sum.reset();
    sum.process(pointers(in).data(), out[0].data(), out[1].data(), in[0].size());
    return out;
}

} // namespace

Channels reference(std::string_view plugin, std::size_t channels, const std::vector<double>& values,
                   const Channels& in, double rate_hz) {
    if (plugin == "gate")
        return gate_reference(channels, settings_from<dsp::GateSettings>(values.data()), in, rate_hz);
    if (plugin == "sum") return sum_reference(values, in, rate_hz);
    if (plugin == "damp") return damp_reference(channels, values, in, rate_hz);
    Channels out(channels, Signal(in[0].size()));
    if (plugin == "kick")
        for (std::size_t c = 0; c < channels; ++c) {
            dsp::KickConditioner<double> kick;
            if (!kick.prepare(rate_hz) ||
                kick.set(settings_from<dsp::KickSettings>(values.data())) != nullptr)
                return {};
            kick.process(in[c].data(), out[c].data(), in[c].size());
        }
    if (plugin == "bus") {
        const auto s = settings_from<dsp::BusSettings>(values.data());
        const std::size_t key = s.key == dsp::GateKey::side_chain ? 2 : 0;
        dsp::BusCompressor bus;
        if (!bus.prepare(rate_hz) || bus.set(s) != nullptr) return {};
        bus.process(in[0].data(), in[1].data(), in[key].data(), in[key + 1].data(), out[0].data(),
                    out[1].data(), in[0].size());
    }
    return out;
}

std::string state_text(juce::AudioProcessor& plugin) {
    juce::MemoryBlock state;
    plugin.getStateInformation(state);
    return {static_cast<const char*>(state.getData()), state.getSize()};
}

void set_state_text(juce::AudioProcessor& plugin, std::string_view text) {
    plugin.setStateInformation(text.data(), static_cast<int>(text.size()));
}

bool all_allowed(const Processor& plugin) {
    const auto settings = plugin.settings();
    std::size_t i = 0;
    for (const auto& group : plugin.layout().groups)
        for (const auto& control : group.controls)
            if (!dsp::allowed(*control.parameter, settings[i++])) return false;
    return true;
}

std::pair<int, int> first_difference(const Channels& a, const Channels& b) {
    if (a.size() != b.size()) return {-2, -2};
    for (std::size_t c = 0; c < a.size(); ++c) {
        if (a[c].size() != b[c].size()) return {static_cast<int>(c), -2};
        for (std::size_t n = 0; n < a[c].size(); ++n)
            if (a[c][n] != b[c][n]) return {static_cast<int>(c), static_cast<int>(n)};
    }
    return kSame;
}

bool all_finite(const Channels& channels) {
    for (const auto& c : channels)
        for (const float x : c)
            if (!std::isfinite(x)) return false;
    return true;
}

} // namespace kitfold::plugins::test
