#include "damp/damp.h"
#include "common/buses.h"
#include <nlohmann/json.hpp>

namespace kitfold::plugins {
namespace {

using dsp::DampSettings, dsp::RingBand, dsp::kRingBands;

// The values: the block's controls, number of rings, then each ring's.
std::size_t rings_at() noexcept { return dsp::fields<DampSettings>().size(); }
std::size_t ring_fields() noexcept { return dsp::fields<RingBand>().size(); }

template <class Values> auto of_ring(Values values, std::size_t ring) noexcept {
    return values.subspan(rings_at() + 1 + ring * ring_fields(), ring_fields());
}

DampSettings from(std::span<const double> values) noexcept {
    DampSettings settings;
    for (std::size_t i = 0; const auto& field : dsp::fields<DampSettings>())
        settings.*field.member = values[i++];
    settings.band_count = static_cast<std::size_t>(values[rings_at()]);
    for (std::size_t ring = 0; ring < kRingBands; ++ring)
        for (std::size_t i = 0; const auto& field : dsp::fields<RingBand>())
            settings.bands[ring].*field.member = of_ring(values, ring)[i++];
    return settings;
}

void put(const DampSettings& settings, std::span<double> values) noexcept {
    for (std::size_t i = 0; const auto& field : dsp::fields<DampSettings>())
        values[i++] = settings.*field.member;
    values[rings_at()] = static_cast<double>(settings.band_count);
    for (std::size_t ring = 0; ring < kRingBands; ++ring)
        for (std::size_t i = 0; const auto& field : dsp::fields<RingBand>())
            of_ring(values, ring)[i++] = settings.bands[ring].*field.member;
}

} // namespace

Damp::Damp(std::size_t channels)
    : Processor(Buses().withInput("In", channel_set(channels)).withOutput("Out", channel_set(channels)),
                damp_layout(channels)) {
    load_programs();
}

bool Damp::isBusesLayoutSupported(const BusesLayout& layout) const {
    const auto& in = layout.getMainInputChannelSet();
    return in == layout.getMainOutputChannelSet() &&
           (in == juce::AudioChannelSet::mono() || in == juce::AudioChannelSet::stereo());
}

// A ring band is a resonator: it falls 60 dB in 2.2 Q / f seconds (ln 1000 / pi).
double Damp::getTailLengthSeconds() const {
    const auto s = from(settings());
    double longest = 0.0;
    for (std::size_t ring = 0; ring < s.band_count; ++ring)
        longest = std::max(longest, 2.2 * s.bands[ring].q / s.bands[ring].hz);
    return longest;
}

bool Damp::prepare_dsp(double rate_hz) {
    bool ready = true;
    for (auto& d : damp_) ready = d.prepare(rate_hz) && ready;
    return ready;
}

void Damp::reset_dsp() noexcept {
    for (auto& d : damp_) d.reset();
}

void Damp::take(std::span<const double> values, bool) noexcept {
    const auto settings = from(values);
    for (auto& d : damp_) juce::ignoreUnused(d.set(settings));
}

void Damp::render(const Block& block) noexcept {
    for (std::size_t c = 0; c < block.out.size(); ++c)
        damp_[c].process(block.in[c], block.out[c], block.frames);
}

void Damp::write_blocks(dsp::Json& state, std::span<const double> values) const {
    state["damp"] = dsp::to_json(from(values));
}

bool Damp::read_blocks(const dsp::Json& state, std::span<double> values) const {
    const auto block = state.find("damp");
    if (block == state.end() || !block->is_object()) return false;
    auto settings = from(values);
    dsp::read_leniently(*block, settings);
    put(settings, values);
    return true;
}

} // namespace kitfold::plugins
