#include "gate/gate.h"
#include "common/buses.h"
#include "core/units.h"

namespace kitfold::plugins {
namespace {

/// Place of the look-ahead among the values.
std::size_t lookahead_field() noexcept {
    std::size_t i = 0;
    while (!dsp::fields<dsp::GateSettings>()[i].is(&dsp::GateSettings::lookahead_ms)) ++i;
    return i;
}

std::size_t latency_of(const SharedValues& values, double rate_hz) noexcept {
    return static_cast<std::size_t>(std::lround(values.get(lookahead_field()) * rate_hz / 1000.0));
}

} // namespace

Gate::Gate(std::size_t channels)
    : SingleBlock(
          with_key(Buses().withInput("In", channel_set(channels)).withOutput("Out", channel_set(channels))),
          gate_layout(channels), latency_of) {
    load_programs();
}

bool Gate::isBusesLayoutSupported(const BusesLayout& layout) const {
    const auto& in = layout.getMainInputChannelSet();
    return in == layout.getMainOutputChannelSet() && key_allowed(layout) &&
           (in == juce::AudioChannelSet::mono() || in == juce::AudioChannelSet::stereo());
}

void Gate::take(std::span<const double> values, bool) noexcept {
    const auto settings = to_settings<dsp::GateSettings>(values);
    side_chain_ = settings.key == dsp::GateKey::side_chain;
    juce::ignoreUnused(gate_.set(settings));
}

void Gate::render(const Block& block) noexcept {
    const auto in = block.in.first(block.out.size()), key = block.in.subspan(block.out.size());
    gate_.process(in, side_chain_ && !key.empty() ? key : in, block.out, block.frames);
}

void Gate::read_meters(std::span<double> meters) noexcept {
    meters[0] = -dsp::db_from_gain(gate_.gain());
    meters[1] = gate_.open_samples() > open_before_ ? 1.0 : 0.0;
    open_before_ = gate_.open_samples();
}

} // namespace kitfold::plugins
