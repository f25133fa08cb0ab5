#pragma once
// JUCE's plug-in host, for the bundles that were built.
#include "bundles.h"
#include "support.h"

namespace kitfold::plugins::test {

using Instance = std::unique_ptr<juce::AudioPluginInstance>;

/// A new instance with every bus on, prepared for blocks of up to 512 samples.
Instance load_vst3(const Bundle& bundle, double rate_hz = kRate);
Instance load_lv2(const Bundle& bundle, double rate_hz = kRate);

/// The host's parameter of that name, or nullptr: hosts order them as they like.
juce::AudioProcessorParameter* named(juce::AudioProcessor& p, const std::string& name);

/// What JUCE's host keeps for a VST3 plug-in: XML around the component's bytes in base64, and these are our
/// state, eight zeros and a trailer of JUCE's wrapper. Only our part may be changed: the wrapper (7.0.5 and
/// 8.0.12) follows the length in its trailer wherever it points, before our code is asked.
class StateInHost {
public:
    explicit StateInHost(juce::AudioProcessor& p);
    [[nodiscard]] const std::string& own() const { return own_; }
    /// Gives a plug-in of the same kind another state.
    void give(juce::AudioProcessor& p, const std::string& own) const;

private:
    [[nodiscard]] juce::XmlElement& component() const { return *xml_->getChildByName("IComponent"); }
    std::unique_ptr<juce::XmlElement> xml_;
    std::string own_, trailer_;
};

} // namespace kitfold::plugins::test
