#include "damp/damp.h"
#include "common/buses.h"
#include "damp/values.h"
#include <nlohmann/json.hpp>

namespace kitfold::plugins {
Damp::Damp(std::size_t channels)
    : Processor(Buses().withInput("In", channel_set(channels)).withOutput("Out", channel_set(channels)),
                damp_layout(channels)) {
    auto learner = std::make_unique<Learner>(*this);
    learner_ = learner.get();
    give_task(std::move(learner));
    load_programs();
}

bool Damp::isBusesLayoutSupported(const BusesLayout& layout) const {
    const auto& in = layout.getMainInputChannelSet();
    return in == layout.getMainOutputChannelSet() &&
           (in == juce::AudioChannelSet::mono() || in == juce::AudioChannelSet::stereo());
}

// A ring band is a resonator: it falls 60 dB in 2.2 Q / f seconds (ln 1000 / pi).
double Damp::getTailLengthSeconds() const {
    const auto s = damp_values::to_settings(settings());
    double longest = 0.0;
    for (std::size_t ring = 0; ring < s.band_count; ++ring)
        longest = std::max(longest, 2.2 * s.bands[ring].q / s.bands[ring].hz);
    return longest;
}

bool Damp::prepare_dsp(double rate_hz) {
    bool ready = true;
    for (auto& d : damp_) ready = d.prepare(rate_hz) && ready;
    if (ready) learner_->prepare(rate_hz);
    return ready;
}

void Damp::reset_dsp() noexcept {
    for (auto& d : damp_) d.reset();
}

void Damp::take(std::span<const double> values, bool) noexcept {
    const auto settings = damp_values::to_settings(values);
    for (auto& d : damp_) juce::ignoreUnused(d.set(settings));
}

void Damp::render(const Block& block) noexcept {
    learner_->hear(block.in, block.frames);
    for (std::size_t c = 0; c < block.out.size(); ++c)
        damp_[c].process(block.in[c], block.out[c], block.frames);
}

void Damp::write_blocks(dsp::Json& state, std::span<const double> values) const {
    state["damp"] = dsp::to_json(damp_values::to_settings(values));
}

bool Damp::read_blocks(const dsp::Json& state, std::span<double> values) const {
    const auto block = state.find("damp");
    if (block == state.end() || !block->is_object()) return false;
    auto settings = damp_values::to_settings(values);
    dsp::read_leniently(*block, settings);
    damp_values::put(settings, values);
    return true;
}

} // namespace kitfold::plugins
