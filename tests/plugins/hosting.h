#pragma once
// JUCE's plug-in host, for the bundles that were built.
#include "bundles.h"
#include "support.h"

namespace kitfold::plugins::test {

using Instance = std::unique_ptr<juce::AudioPluginInstance>;

/// A new instance with every bus on, prepared for blocks of up to 512 samples.
Instance load_vst3(const Bundle& bundle, double rate_hz = kRate);
Instance load_lv2(const Bundle& bundle, double rate_hz = kRate);

/// Lets timers and messages of host and plug-ins run.
void run_messages(int ms);

/// The host's parameter of that name, or nullptr: hosts order them as they like.
juce::AudioProcessorParameter* named(juce::AudioProcessor& p, const std::string& name);

} // namespace kitfold::plugins::test
