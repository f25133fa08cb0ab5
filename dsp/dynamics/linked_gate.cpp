#include "dynamics/linked_gate.h"
#include <algorithm>

namespace kitfold::dsp {

bool LinkedGate::prepare(double rate_hz, double max_lookahead_ms) {
    bool ready = true;
    for (auto& d : detector_) ready = d.prepare(rate_hz) && ready;
    if (!ready) return false;
    for (auto& l : listen_) l.prepare(rate_hz);
    for (auto& g : gain_) (void)g.prepare(rate_hz);
    for (auto& s : signal_) s.prepare(rate_hz, max_lookahead_ms);
    return true;
}

void LinkedGate::reset() noexcept {
    for (auto& d : detector_) d.reset();
    for (auto& g : gain_) g.reset();
    for (auto& s : signal_) s.reset();
}

const Parameter* LinkedGate::set(const GateSettings& settings) noexcept {
    if (const auto* refused = first_refused(settings)) return refused;
    for (auto& d : detector_) d.set(settings);
    for (auto& g : gain_) g.set(settings);
    for (auto& s : signal_) s.set(settings);
    listening_ = settings.key_listen;
    return nullptr;
}

void LinkedGate::process(std::span<const float* const> in, std::span<const float* const> keys,
                         std::span<float* const> out, std::size_t frames) noexcept {
    const FlushDenormals guard;
    for (std::size_t n = 0; n < frames; n += kBlock) {
        const std::size_t count = std::min(kBlock, frames - n);
        for (std::size_t k = 0; k < keys.size(); ++k)
            detector_[k].process(keys[k] + n, level_[k].data(), key_[k].data(), count);
        for (std::size_t i = 0; keys.size() > 1 && i < count; ++i)
            level_[0][i] = std::max(level_[0][i], level_[1][i]);
        for (std::size_t c = 0; c < out.size(); ++c) {
            float gain[kBlock];
            gain_[c].process(level_[0].data(), gain, count);
            signal_[c].process(in[c] + n, gain, 1, out[c] + n, count);
            listen_[c].mix(listening_, key_[std::min(c, keys.size() - 1)].data(), out[c] + n, count, 1);
        }
    }
}

} // namespace kitfold::dsp
