#include "kick/kick.h"
#include "common/buses.h"

namespace kitfold::plugins {

Kick::Kick(std::size_t channels)
    : SingleBlock(Buses().withInput("In", channel_set(channels)).withOutput("Out", channel_set(channels)),
                  kick_layout(channels)) {
    load_programs();
}

bool Kick::isBusesLayoutSupported(const BusesLayout& layout) const {
    const auto& in = layout.getMainInputChannelSet();
    return in == layout.getMainOutputChannelSet() &&
           (in == juce::AudioChannelSet::mono() || in == juce::AudioChannelSet::stereo());
}

// The slowest section is the 10 Hz high-pass, 24 dB/oct: its poles with Q 1.31 fall 60 dB in 0.3 s, 120 dB in
// 0.6 s.
double Kick::getTailLengthSeconds() const { return 0.6; }

bool Kick::prepare_dsp(double rate_hz) {
    bool ready = true;
    for (auto& c : conditioner_) ready = c.prepare(rate_hz) && ready;
    return ready;
}

void Kick::reset_dsp() noexcept {
    for (auto& c : conditioner_) c.reset();
}

void Kick::take(std::span<const double> values, bool) noexcept {
    const auto settings = to_settings<dsp::KickSettings>(values);
    for (auto& c : conditioner_) juce::ignoreUnused(c.set(settings));
}

void Kick::render(const Block& block) noexcept {
    for (std::size_t c = 0; c < block.out.size(); ++c)
        conditioner_[c].process(block.in[c], block.out[c], block.frames);
}

} // namespace kitfold::plugins
