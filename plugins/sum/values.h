#pragma once
// Sum's settings as its values hold them: the sum's, each mic's, each mic's gate's, "learn", and the kept
// ones of each gate.
#include "common/layout.h"
#include <span>

namespace kitfold::plugins::sum_values {

inline std::size_t mics_at() noexcept { return dsp::fields<dsp::SumSettings>().size(); }
inline std::size_t mic_fields() noexcept { return dsp::fields<dsp::MicSettings>().size(); }
/// Of the choice off / own / kit; the gate's controls follow.
inline std::size_t gate_at(std::size_t mic) noexcept {
    return mics_at() + kSumMics * mic_fields() + mic * (1 + kSumGateControls.size());
}
inline std::size_t learn_at() noexcept { return gate_at(kSumMics); }
inline std::size_t kept_at(std::size_t mic) noexcept { return learn_at() + 1 + mic * kSumGateKept.size(); }

/// Of a gate's setting that has a control.
inline std::size_t gate_control_at(std::size_t mic, double dsp::GateSettings::*member) noexcept {
    std::size_t i = 0;
    while (kSumGateControls[i] != member) ++i;
    return gate_at(mic) + 1 + i;
}

inline std::size_t lookahead_at(std::size_t mic) noexcept {
    return gate_control_at(mic, &dsp::GateSettings::lookahead_ms);
}

template <class Values> auto of_mic(Values values, std::size_t mic) noexcept {
    return values.subspan(mics_at() + mic * mic_fields(), mic_fields());
}

inline bool gated(std::span<const double> values, std::size_t mic) noexcept {
    return values[gate_at(mic)] != static_cast<double>(SumGate::off);
}

/// The settings of a mic's gate, off or not.
inline dsp::GateSettings gate_of(std::span<const double> values, std::size_t mic) noexcept {
    dsp::GateSettings gate;
    const bool kit = values[gate_at(mic)] == static_cast<double>(SumGate::kit);
    gate.key = kit ? dsp::GateKey::kit : dsp::GateKey::own;
    for (std::size_t i = gate_at(mic) + 1; const auto member : kSumGateControls) gate.*member = values[i++];
    for (std::size_t i = kept_at(mic); const auto* field : kSumGateKept) field->put(gate, values[i++]);
    return gate;
}

/// A host has no side-chain for each mic: such a gate listens to its own.
inline void put_gate(const dsp::GateSettings& gate, bool on, std::span<double> values,
                     std::size_t mic) noexcept {
    const bool kit = gate.key == dsp::GateKey::kit;
    values[gate_at(mic)] = static_cast<double>(!on ? SumGate::off : kit ? SumGate::kit : SumGate::own);
    for (std::size_t i = gate_at(mic) + 1; const auto member : kSumGateControls) values[i++] = gate.*member;
    for (std::size_t i = kept_at(mic); const auto* field : kSumGateKept) values[i++] = field->of(gate);
}

} // namespace kitfold::plugins::sum_values
