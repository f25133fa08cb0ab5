#include "sum/sum.h"
#include "common/buses.h"
#include "sum/values.h"
#include <nlohmann/json.hpp>

namespace kitfold::plugins {
namespace {

using dsp::MicSettings, dsp::SumSettings, dsp::GateSettings;
using sum_values::of_mic;

Buses sixteen_mics() {
    Buses buses;
    for (std::size_t mic = 1; mic <= kSumMics; ++mic)
        buses = buses.withInput("Mic " + juce::String(mic), juce::AudioChannelSet::mono(),
                                mic == 1 || on_by_default());
    return buses.withOutput("Out", juce::AudioChannelSet::stereo());
}

std::size_t delay_field() noexcept {
    std::size_t i = 0;
    while (!dsp::fields<MicSettings>()[i].is(&MicSettings::delay_ms)) ++i;
    return i;
}

/// By how many samples everything is late: as dsp::Sum and MicDelays decide; the test compares.
struct Lateness {
    std::size_t lookahead = 0, margin = 0;
};

/// value(i): the i-th of Sum's values.
template <class Value> Lateness lateness(Value&& value, double rate_hz) noexcept {
    std::array<std::size_t, kSumMics> ahead{}; // 0 while the gate is off
    for (std::size_t m = 0; m < kSumMics; ++m)
        if (value(sum_values::gate_at(m)) != static_cast<double>(SumGate::off))
            ahead[m] =
                static_cast<std::size_t>(std::lround(value(sum_values::lookahead_at(m)) * rate_hz / 1000.0));
    Lateness late{*std::max_element(ahead.begin(), ahead.end()), 0};
    for (std::size_t m = 0; m < kSumMics; ++m) { // the others wait, which is room for a fraction of a sample
        const double delay_ms = value(sum_values::mics_at() + m * sum_values::mic_fields() + delay_field());
        const double samples = delay_ms * rate_hz / 1000.0 + static_cast<double>(late.lookahead - ahead[m]);
        if (std::abs(samples - std::round(samples)) >= 1e-3 &&
            samples < static_cast<double>(dsp::MicDelays::kMargin))
            late.margin = dsp::MicDelays::kMargin;
    }
    return late;
}

std::size_t latency_of(const SharedValues& values, double rate_hz) noexcept {
    const auto late = lateness([&](std::size_t i) { return values.get(i); }, rate_hz);
    return late.lookahead + late.margin;
}

} // namespace

Sum::Sum() : Processor(sixteen_mics(), sum_layout(), latency_of) {
    auto learner = std::make_unique<KitLearner>(*this);
    learner_ = learner.get();
    give_task(std::move(learner));
    load_programs();
}

bool Sum::isBusesLayoutSupported(const BusesLayout& layout) const {
    for (const auto& mic : layout.inputBuses)
        if (!mic.isDisabled() && mic != juce::AudioChannelSet::mono()) return false;
    return layout.getMainOutputChannelSet() == juce::AudioChannelSet::stereo();
}

bool Sum::prepare_dsp(double rate_hz) {
    rate_hz_ = rate_hz;
    if (!sum_.prepare(rate_hz, kSumMics)) return false;
    std::vector<std::size_t> connected;
    for (std::size_t m = 0; m < kSumMics; ++m)
        if (const auto* bus = getBus(true, static_cast<int>(m)); bus != nullptr && bus->isEnabled())
            connected.push_back(m);
    learner_->prepare(rate_hz, std::move(connected));
    return true;
}

void Sum::reset_dsp() noexcept {
    sum_.reset();
    open_before_.fill(0.0);
    fresh_ = true;
}

void Sum::take(std::span<const double> values, bool bypassed) noexcept {
    const auto late = lateness([values](std::size_t i) { return values[i]; }, rate_hz_);
    gated_ = 0;
    for (std::size_t m = 0; m < kSumMics; ++m) {
        auto mic = to_settings<MicSettings>(of_mic(values, m));
        std::optional<GateSettings> gate;
        if (sum_values::gated(values, m)) gate = sum_values::gate_of(values, m), gated_ |= 1u << m;
        if (bypassed) { // late by as much as without bypass
            mic.polarity = dsp::Polarity::normal;
            mic.delay_ms = 1000.0 * static_cast<double>(late.margin) / rate_hz_;
            if (gate) gate->range_db = 0.0, gate->key_listen = false;
        }
        juce::ignoreUnused(sum_.set(m, mic), sum_.set_gate(m, gate));
    }
    auto sum = to_settings<SumSettings>(values);
    if (bypassed) sum.overhead_width = 1.0, sum.room_width = 1.0, sum.mono = false;
    juce::ignoreUnused(sum_.set(sum));
    settle();
}

void Sum::settle() noexcept {
    if (const auto* table = learner_->memory().news()) sum_.set_bleed(table);
    sum_.settle();
    if (fresh_) sum_.reset(); // a gate that was set just now starts shut, as in a bounce
    fresh_ = false;
    std::uint32_t keyed = 0;
    for (std::size_t m = 0; m < kSumMics; ++m)
        if (sum_.kit_keyed(m)) keyed |= 1u << m;
    learner_->set_kit_keyed(keyed);
}

void Sum::render(const Block& block) noexcept {
    learner_->hear(block.in, block.frames);
    if (learner_->memory().has_news()) settle();
    sum_.process(block.in.data(), block.out[0], block.out[1], block.frames);
    if (gated_ != 0) show_open();
}

void Sum::show_open() noexcept {
    std::uint32_t open = 0;
    for (std::size_t m = 0; m < kSumMics; ++m) {
        if ((gated_ >> m & 1u) == 0) continue;
        const double samples = sum_.gate_open_samples(m);
        if (samples > open_before_[m]) open |= 1u << m;
        open_before_[m] = samples;
    }
    if (open != 0) learner_->set_open(open);
}

// ---- State
// -----------------------------------------------------------------------------------------------------
// As in a session, a gate that is off has no block; its settings stand apart, in "gates_off".

void Sum::write_blocks(dsp::Json& state, std::span<const double> values) const {
    state["sum"] = dsp::to_json(to_settings<SumSettings>(values));
    auto mics = dsp::Json::array(), off = dsp::Json::array();
    for (std::size_t m = 0; m < kSumMics; ++m) {
        mics.push_back(dsp::to_json(to_settings<MicSettings>(of_mic(values, m))));
        const auto gate = sum_values::gate_of(values, m);
        if (sum_values::gated(values, m))
            mics.back()["gate"] = dsp::to_json(gate);
        else if (gate != GateSettings{})
            off.push_back({{"mic", m + 1}, {"gate", dsp::to_json(gate)}});
    }
    state["mics"] = std::move(mics);
    if (!off.empty()) state["gates_off"] = std::move(off);
    learner_->memory().write(state);
}

namespace {

void read_gate(const dsp::Json& object, bool on, std::span<double> values, std::size_t mic) {
    const auto found = object.find("gate");
    if (found == object.end() || !found->is_object()) return;
    GateSettings gate;
    dsp::read_leniently(*found, gate);
    sum_values::put_gate(gate, on, values, mic);
}

void read_gates_off(const dsp::Json& state, std::span<double> values) {
    const auto off = state.find("gates_off");
    if (off == state.end() || !off->is_array()) return;
    for (const auto& entry : *off) {
        const auto mic = entry.is_object() ? entry.find("mic") : entry.end();
        if (mic == entry.end() || !mic->is_number_integer()) continue;
        const auto number = mic->get<std::int64_t>();
        if (number < 1 || number > std::int64_t{kSumMics}) continue;
        if (const auto m = static_cast<std::size_t>(number - 1); !sum_values::gated(values, m))
            read_gate(entry, false, values, m);
    }
}

} // namespace

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
        const auto& entry = (*mics)[m];
        auto mic = to_settings<MicSettings>(of_mic(values, m));
        dsp::read_leniently(entry, mic);
        to_values(mic, of_mic(values, m));
        if (entry.is_object()) read_gate(entry, true, values, m);
    }
    if (has_mics) read_gates_off(state, values);
    return has_sum || has_mics;
}

} // namespace kitfold::plugins
