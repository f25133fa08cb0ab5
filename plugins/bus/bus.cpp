#include "bus/bus.h"
#include "common/buses.h"

namespace kitfold::plugins {

Bus::Bus()
    : SingleBlock(with_key(Buses().withInput("In", channel_set(2)).withOutput("Out", channel_set(2))),
                  bus_layout()) {
    load_programs();
}

bool Bus::isBusesLayoutSupported(const BusesLayout& layout) const {
    const auto stereo = juce::AudioChannelSet::stereo();
    return layout.getMainInputChannelSet() == stereo && layout.getMainOutputChannelSet() == stereo &&
           key_allowed(layout);
}

void Bus::take(std::span<const double> values, bool) noexcept {
    const auto settings = to_settings<dsp::BusSettings>(values);
    side_chain_ = settings.key == dsp::GateKey::side_chain;
    juce::ignoreUnused(compressor_.set(settings));
}

void Bus::render(const Block& block) noexcept {
    auto key = block.in.first(2);
    if (side_chain_ && block.in.size() > 2) key = block.in.subspan(2);
    compressor_.process(block.in[0], block.in[1], key.front(), key.back(), block.out[0], block.out[1],
                        block.frames);
}

} // namespace kitfold::plugins
