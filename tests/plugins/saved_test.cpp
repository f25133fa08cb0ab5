// States that an earlier build's plug-ins wrote: tests/saved/*.state.
#include "support.h"
#include <catch2/catch.hpp>
#include <fstream>
#include <iterator>

namespace kitfold::plugins::test {
namespace {

std::string saved(const std::string& plugin) {
    std::ifstream in(KITFOLD_SOURCE_DIR "/tests/saved/" + plugin + ".state", std::ios::binary);
    return {std::istreambuf_iterator<char>(in), {}};
}

template <class Settings> Settings loaded(const std::string& plugin) {
    auto p = make(plugin);
    const auto text = saved(plugin);
    p->setStateInformation(text.data(), static_cast<int>(text.size()));
    return settings_from<Settings>(p->settings().data());
}

} // namespace

TEST_CASE("plug-ins: a state of an earlier build loads, and is written as it was", "[plugins]") {
    for (const auto& plugin : kPlugins) {
        INFO(plugin);
        auto p = make(plugin);
        const auto text = saved(plugin);
        REQUIRE(text.size() > 100);
        p->setStateInformation(text.data(), static_cast<int>(text.size()));
        juce::MemoryBlock state;
        p->getStateInformation(state);
        auto expected = text; // the filters were called "kick"
        if (plugin == "kick") expected.replace(expected.find("\"kick\":"), 7, "\"filters\":");
        if (plugin == "damp") expected.replace(expected.find("\"deadened\":"), 11, "\"heard\":");
        CHECK(std::string(static_cast<const char*>(state.getData()), state.getSize()) == expected);
    }
    // what stands in the files, read by eye
    const auto gate = loaded<dsp::GateSettings>("gate");
    CHECK(
        (gate.key == dsp::GateKey::side_chain && gate.threshold_db == -38.3 && gate.range_db == dsp::kOffDb));
    const auto bus = loaded<dsp::BusSettings>("bus");
    CHECK((bus.key == dsp::GateKey::side_chain && bus.ratio == dsp::kLimitRatio && bus.blend == 0.7));
    CHECK(loaded<dsp::KickSettings>("kick").high_pass_slope == dsp::Slope::db_18);
    CHECK(loaded<dsp::DampSettings>("damp").amount == 0.6);
    CHECK(loaded<dsp::SumSettings>("sum").room_width == 1.2);
}

} // namespace kitfold::plugins::test
