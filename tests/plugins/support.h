#pragma once
// What the plug-in tests share: the plug-ins, signals, and the DSP library as the reference.
#include "bus/bus.h"
#include "damp/damp.h"
#include "gate/gate.h"
#include "kick/kick.h"
#include "sum/sum.h"
#include <chrono>
#include <memory>
#include <random>
#include <string>
#include <vector>

namespace kitfold::plugins::test {

using Signal = std::vector<float>;
using Channels = std::vector<Signal>;

inline constexpr double kRate = 48'000.0;

/// One of each, as a host's factory makes them.
inline std::unique_ptr<Processor> make(std::string_view plugin, std::size_t channels = 2) {
    if (plugin == "kick") return std::make_unique<Kick>(channels);
    if (plugin == "gate") return std::make_unique<Gate>(channels);
    if (plugin == "bus") return std::make_unique<Bus>();
    if (plugin == "damp") return std::make_unique<Damp>(channels);
    return std::make_unique<Sum>();
}
inline const std::vector<std::string> kPlugins{"kick", "gate", "bus", "sum", "damp"};

/// Made, every bus on, prepared for blocks of up to 512 samples.
std::unique_ptr<Processor> ready(std::string_view plugin, std::size_t channels = 2, double rate_hz = kRate);

inline std::size_t inputs(const juce::AudioProcessor& p) {
    return static_cast<std::size_t>(p.getTotalNumInputChannels());
}

inline Signal noise(std::size_t frames, unsigned seed) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<float> value(-0.5f, 0.5f);
    Signal out(frames);
    for (auto& x : out) x = value(random);
    return out;
}

/// Bursts of noise with silence between, so that gates and compressors have something to do.
inline Channels bursts(std::size_t channels, std::size_t frames, unsigned seed = 1) {
    Channels out;
    for (std::size_t c = 0; c < channels; ++c) {
        out.push_back(noise(frames, seed + static_cast<unsigned>(c)));
        for (std::size_t n = 0; n < frames; ++n)
            if ((n / 3000) % 2 == 1) out[c][n] *= 1e-4f;
    }
    return out;
}

/// A drum head in closed form: the modes (0,1), (1,1), (2,1) and (3,1) of an ideal membrane (Fletcher and
/// Rossing, The Physics of Musical Instruments, chapter 3); ring times and levels are made up.
struct MembranePartial {
    double ratio, level, ring_ms;
};
inline constexpr MembranePartial kMembrane[] = {
    {1.0, 1.0, 800.0}, {1.593, 0.7, 620.0}, {2.136, 0.5, 480.0}, {2.653, 0.4, 390.0}};
inline constexpr double kMembraneHz = 118.0;
/// A tone that falls by 60 dB in ring_ms, from a frame on.
void add_ring(Signal& out, double rate_hz, std::size_t from, double level, double hz, double ring_ms);
/// Strokes 0.9 s apart after `before` seconds, louder and softer, over noise at -90 dBFS.
Signal membrane(double rate_hz, std::size_t strokes, double before = 0.3);

/// Block sizes as a bad-tempered host hands them out; 1000 and 3000 are more than the 512 promised. `largest`
/// holds them to the promise: JUCE's VST3 wrapper writes past its own buffers otherwise, before a plug-in's
/// code is reached.
inline std::vector<int> block_sizes(std::size_t frames, int largest = 3000) {
    const int sizes[] = {64, 1, 0, 37, 512, 1000, 2, 255, 3000, 16};
    std::vector<int> out;
    for (std::size_t at = 0, i = 0; at < frames; at += static_cast<std::size_t>(out.back()), ++i)
        out.push_back(std::min({sizes[i % std::size(sizes)], largest, static_cast<int>(frames - at)}));
    return out;
}

/// Runs `in` through a plug-in (its own class or a hosted one) in the given blocks; bypassed from a frame on.
Channels play(juce::AudioProcessor& plugin, const Channels& in, const std::vector<int>& blocks,
              std::size_t bypassed_from = static_cast<std::size_t>(-1));

/// Place of a control among the parameters; the test fails without it.
int index_of(const Processor& p, std::string_view id);
/// What the host shows for a control or a meter.
std::string shown(const Processor& p, std::string_view id);
/// Lets timers and messages run for a moment.
void pump_once();
/// How long a test waits for what must come: far longer than it takes on the busiest machine.
inline constexpr std::chrono::minutes kPatience{5};
/// Lets timers and messages run until it is so. False: it did not come.
template <class Condition> bool pump_until(Condition&& condition) {
    const auto end = std::chrono::steady_clock::now() + kPatience;
    while (!condition()) {
        if (std::chrono::steady_clock::now() > end) return false;
        pump_once();
    }
    return true;
}
/// Until every plug-in has polled once since; what it had to notice it has noticed, and shows.
void pump_polls();
/// Until the host shows this; the test fails when that never comes.
void wait_for(const Processor& p, std::string_view id, const std::string& text);
/// As a person types it into the host.
void type_in(Processor& p, std::string_view id, const char* text);

/// All settings at once, through the host's controls, from positions 0..1 in the order of the layout.
void set_controls(Processor& plugin, const std::vector<float>& positions);

/// Random positions for every control.
std::vector<float> random_positions(std::size_t count, unsigned seed);

/// What the DSP library makes of `in` with these settings: the plug-in's main channels, then its key.
Channels reference(std::string_view plugin, std::size_t channels, const std::vector<double>& settings,
                   const Channels& in, double rate_hz);

/// The settings struct of a block from values in the order of its table.
template <class Settings> Settings settings_from(const double* values) {
    Settings s;
    for (const auto& field : dsp::fields<Settings>()) field.put(s, *values++);
    return s;
}

/// To the step of a control: a host's controls have no finer numbers.
inline double plain(double value, double steps) { return std::round(value * steps) / steps; }

std::string state_text(juce::AudioProcessor& plugin);
void set_state_text(juce::AudioProcessor& plugin, std::string_view text);

/// Every setting of the plug-in is one its parameter allows.
bool all_allowed(const Processor& plugin);

bool all_finite(const Channels& channels);

/// Channel and frame of the first difference, {-1, -1} when there is none (a whole signal in a report helps
/// nobody).
std::pair<int, int> first_difference(const Channels& a, const Channels& b);
inline constexpr std::pair<int, int> kSame{-1, -1};

} // namespace kitfold::plugins::test
