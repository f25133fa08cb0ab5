#include "sum/sum.h"
#include "common/buses.h"
#include <nlohmann/json.hpp>

namespace kitfold::plugins {
namespace {

using dsp::MicSettings, dsp::SumSettings;

// The values: the sum's controls, then each mic's.
std::size_t sum_fields() noexcept { return dsp::fields<SumSettings>().size(); }
std::size_t mic_fields() noexcept { return dsp::fields<MicSettings>().size(); }

template <class Values> auto of_mic(Values values, std::size_t mic) noexcept {
    return values.subspan(sum_fields() + mic * mic_fields(), mic_fields());
}

Buses sixteen_mics() {
    Buses buses;
    for (std::size_t mic = 1; mic <= kSumMics; ++mic)
        buses = buses.withInput("Mic " + juce::String(mic), juce::AudioChannelSet::mono(),
                                mic == 1 || on_by_default());
    return buses.withOutput("Out", juce::AudioChannelSet::stereo());
}

/// As MicDelays::settle() decides; the test compares.
bool needs_margin(double delay_ms, double rate_hz) noexcept {
    const double samples = delay_ms * rate_hz / 1000.0;
    return std::abs(samples - std::round(samples)) >= 1e-3 &&
           samples < static_cast<double>(dsp::MicDelays::kMargin);
}

std::size_t delay_field() noexcept {
    std::size_t i = 0;
    while (dsp::fields<MicSettings>()[i].member != &MicSettings::delay_ms) ++i;
    return i;
}

std::size_t latency_of(const SharedValues& values, double rate_hz) noexcept {
    for (std::size_t m = 0; m < kSumMics; ++m)
        if (needs_margin(values.get(sum_fields() + m * mic_fields() + delay_field()), rate_hz))
            return dsp::MicDelays::kMargin;
    return 0;
}

} // namespace

Sum::Sum() : Processor(sixteen_mics(), sum_layout(), latency_of) { load_programs(); }

bool Sum::isBusesLayoutSupported(const BusesLayout& layout) const {
    for (const auto& mic : layout.inputBuses)
        if (!mic.isDisabled() && mic != juce::AudioChannelSet::mono()) return false;
    return layout.getMainOutputChannelSet() == juce::AudioChannelSet::stereo();
}

bool Sum::prepare_dsp(double rate_hz) {
    rate_hz_ = rate_hz;
    return sum_.prepare(rate_hz, kSumMics);
}

void Sum::take(std::span<const double> values, bool bypassed) noexcept {
    bool margin = false;
    for (std::size_t m = 0; m < kSumMics; ++m)
        margin = margin || needs_margin(of_mic(values, m)[delay_field()], rate_hz_);
    for (std::size_t m = 0; m < kSumMics; ++m) {
        auto mic = to_settings<MicSettings>(of_mic(values, m));
        if (bypassed) { // late by as much as without bypass
            mic.polarity = static_cast<double>(dsp::Polarity::normal);
            mic.delay_ms = margin ? 1000.0 * static_cast<double>(dsp::MicDelays::kMargin) / rate_hz_ : 0.0;
        }
        juce::ignoreUnused(sum_.set(m, mic));
    }
    auto sum = to_settings<SumSettings>(values);
    if (bypassed) sum.overhead_width = 1.0, sum.room_width = 1.0, sum.mono = 0.0;
    juce::ignoreUnused(sum_.set(sum));
    sum_.settle();
}

void Sum::render(const Block& block) noexcept {
    sum_.process(block.in.data(), block.out[0], block.out[1], block.frames);
}

void Sum::write_blocks(dsp::Json& state, std::span<const double> values) const {
    state["sum"] = dsp::to_json(to_settings<SumSettings>(values));
    auto mics = dsp::Json::array();
    for (std::size_t m = 0; m < kSumMics; ++m)
        mics.push_back(dsp::to_json(to_settings<MicSettings>(of_mic(values, m))));
    state["mics"] = std::move(mics);
}

bool Sum::read_blocks(const dsp::Json& state, std::span<double> values) const {
    const auto block = state.find("sum"), mics = state.find("mics");
    const bool has_sum = block != state.end() && block->is_object();
    const bool has_mics = mics != state.end() && mics->is_array();
    if (has_sum) {
        auto sum = to_settings<SumSettings>(values);
        dsp::read_leniently(*block, sum);
        to_values(sum, values);
    }
    for (std::size_t m = 0; has_mics && m < std::min(mics->size(), kSumMics); ++m) {
        auto mic = to_settings<MicSettings>(of_mic(values, m));
        dsp::read_leniently((*mics)[m], mic);
        to_values(mic, of_mic(values, m));
    }
    return has_sum || has_mics;
}

} // namespace kitfold::plugins
