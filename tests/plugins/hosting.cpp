#include "hosting.h"
#include <catch2/catch.hpp>

namespace kitfold::plugins::test {
namespace {

juce::AudioPluginFormat& vst3() {
    static juce::VST3PluginFormat format;
    return format;
}
juce::AudioPluginFormat& lv2() {
    static juce::LV2PluginFormat format;
    return format;
}

Instance load(juce::AudioPluginFormat& format, const juce::String& id, double rate_hz) {
    juce::OwnedArray<juce::PluginDescription> found;
    format.findAllTypesForFile(found, id);
    REQUIRE(found.size() == 1);
    juce::String error;
    auto p = format.createInstanceFromDescription(*found[0], rate_hz, 512, error);
    CAPTURE(error.toStdString());
    REQUIRE(p != nullptr);
    p->enableAllBuses();
    p->setNonRealtime(true);
    p->prepareToPlay(rate_hz, 512);
    return p;
}

} // namespace

Instance load_vst3(const Bundle& bundle, double rate_hz) { return load(vst3(), bundle.path, rate_hz); }

Instance load_lv2(const Bundle& bundle, double rate_hz) {
    const auto folder = juce::File(bundle.path).getParentDirectory().getFullPathName();
    lv2().searchPathsForPlugins(juce::FileSearchPath(folder), true, false);
    return load(lv2(), "https://kitfold.example/plugins/" + juce::String(bundle.name).toLowerCase(), rate_hz);
}

juce::AudioProcessorParameter* named(juce::AudioProcessor& p, const std::string& name) {
    for (auto* parameter : p.getParameters())
        if (parameter->getName(128).toStdString() == name) return parameter;
    return nullptr;
}

StateInHost::StateInHost(juce::AudioProcessor& p) {
    juce::MemoryBlock state;
    p.getStateInformation(state);
    xml_ = juce::AudioProcessor::getXmlFromBinary(state.getData(), static_cast<int>(state.getSize()));
    REQUIRE(xml_ != nullptr);
    juce::MemoryBlock bytes;
    REQUIRE(bytes.fromBase64Encoding(component().getAllSubText()));
    const std::string_view all(static_cast<const char*>(bytes.getData()), bytes.getSize());
    own_ = all.substr(0, all.find('\0'));
    trailer_ = all.substr(own_.size());
    REQUIRE(own_.size() > 100);
    REQUIRE(trailer_.size() > 8);
}

void StateInHost::give(juce::AudioProcessor& p, const std::string& own) const {
    const auto bytes = own + trailer_;
    component().deleteAllTextElements();
    component().addTextElement(juce::MemoryBlock(bytes.data(), bytes.size()).toBase64Encoding());
    juce::MemoryBlock state;
    juce::AudioProcessor::copyXmlToBinary(*xml_, state);
    p.setStateInformation(state.getData(), static_cast<int>(state.getSize()));
}

} // namespace kitfold::plugins::test
