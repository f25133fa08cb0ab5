#pragma once
// LaneDamp for one lane type; included by one source file per instruction set.
#include "dynamics/damp_of.h"
#include "mix/lane_damp.h"

namespace kitfold::dsp {

template <class V> class LaneDampOf final : public LaneDamp {
public:
    [[nodiscard]] std::size_t width() const noexcept override { return Lanes<V>::width; }
    [[nodiscard]] bool prepare(double rate_hz) noexcept override { return damp_.prepare(rate_hz); }
    void reset() noexcept override { damp_.reset(); }
    void set(std::size_t lane, const DampSettings& settings) noexcept override {
        (void)damp_.set(settings, lane);
    }
    void process(float* const* mics, std::size_t lanes, std::size_t frames) noexcept override {
        interleave<V>(mics, signal_, lanes, frames);
        damp_.process(signal_, signal_, frames, lanes);
        deinterleave<V>(signal_, mics, lanes, frames);
    }

private:
    Damp<V> damp_;
    /// Lanes without a mic are silent and stay so.
    alignas(64) float signal_[LaneStrip::kMaxFrames * Lanes<V>::width]{};
};

} // namespace kitfold::dsp
