#pragma once
// Damp of several mics side by side, one mic per SIMD lane, for whatever instruction set the machine has.
// Lanes of their own, because Damp does in float: twice as many mics fit as in a LaneStrip.
#include "mix/lane_strip.h"

namespace kitfold::dsp {

/// Processing never allocates, locks or throws.
class LaneDamp {
public:
    virtual ~LaneDamp();
    [[nodiscard]] virtual std::size_t width() const noexcept = 0;
    /// False: rate out of range.
    [[nodiscard]] virtual bool prepare(double rate_hz) noexcept = 0;
    virtual void reset() noexcept = 0;
    /// Settings must be in range.
    virtual void set(std::size_t lane, const DampSettings& settings) noexcept = 0;
    /// In place, on planar buffers of `frames` (<= LaneStrip::kMaxFrames) samples, one per lane in use.
    virtual void process(float* const* mics, std::size_t lanes, std::size_t frames) noexcept = 0;
};

/// For `mics` mics, or for the first of them if they are more than fit side by side; for few, lanes half or a
/// quarter as wide. The machine must run `isa`.
std::unique_ptr<LaneDamp> make_lane_damp(Isa isa, std::size_t mics);

} // namespace kitfold::dsp
