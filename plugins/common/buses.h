#pragma once
// Channel layouts that more than one plug-in uses.
#include <juce_audio_processors/juce_audio_processors.h>

namespace kitfold::plugins {

/// JUCE keeps the type to classes derived from AudioProcessor.
struct BusesOfProcessor : juce::AudioProcessor {
    using Properties = BusesProperties;
};
using Buses = BusesOfProcessor::Properties;

inline juce::AudioChannelSet channel_set(std::size_t channels) {
    return channels == 1 ? juce::AudioChannelSet::mono() : juce::AudioChannelSet::stereo();
}

/// JUCE's LV2 wrapper reads through the null pointer of a port that the host may leave unconnected, and it
/// declares the ports of a bus that is off by default just so. There every bus is on.
inline bool on_by_default() {
    return juce::PluginHostType::getPluginLoadedAs() == juce::AudioProcessor::wrapperType_LV2;
}

/// A key input; which key is used is a control of its own.
inline Buses with_key(const Buses& buses) {
    return buses.withInput("Key", juce::AudioChannelSet::stereo(), on_by_default());
}

/// Off, mono or stereo.
inline bool key_allowed(const juce::AudioProcessor::BusesLayout& layout) {
    if (layout.inputBuses.size() < 2) return true;
    const auto& key = layout.inputBuses.getReference(1);
    return key.isDisabled() || key == juce::AudioChannelSet::mono() || key == juce::AudioChannelSet::stereo();
}

} // namespace kitfold::plugins
