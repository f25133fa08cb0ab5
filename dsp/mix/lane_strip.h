#pragma once
// The strips of several mics side by side, one mic per SIMD lane, for whatever instruction set the machine
// has.
#include "settings/settings.h"
#include <cstddef>
#include <memory>

namespace kitfold::dsp {

/// Instruction sets the strips are compiled for; all give the same samples.
enum class Isa { scalar, sse2, avx2, avx512 };
/// The best one this machine runs.
Isa best_isa() noexcept;
/// Does this machine run it?
bool runs(Isa isa) noexcept;

/// Which blocks a group of strips has; a mic without a block gets settings that leave it exactly as it is.
struct StripBlocks {
    bool kick = false, gate = false;
    bool operator==(const StripBlocks&) const = default;
};

/// Kick and gate of up to width() mics. Processing never allocates, locks or throws.
class LaneStrip {
public:
    static constexpr std::size_t kMaxFrames = 256;
    virtual ~LaneStrip();
    [[nodiscard]] virtual std::size_t width() const noexcept = 0;
    /// Allocates. False: rate out of range.
    [[nodiscard]] virtual bool prepare(double rate_hz, StripBlocks blocks, double max_lookahead_ms) = 0;
    virtual void reset() noexcept = 0;
    /// nullptr: the block leaves the lane as it is. Settings must be in range.
    virtual void set(std::size_t lane, const KickSettings* kick, const GateSettings* gate) noexcept = 0;
    /// In place, on planar buffers of `frames` (<= kMaxFrames) samples, one per lane in use. keys: one per
    /// lane in use, nullptr for a mic that is its own key (after its kick block); keys nullptr: all are.
    virtual void process(float* const* mics, const float* const* keys, std::size_t lanes,
                         std::size_t frames) noexcept = 0;
    /// Look-ahead in samples; samples since reset() for which the gate was open.
    [[nodiscard]] virtual std::size_t gate_latency(std::size_t lane) const noexcept = 0;
    [[nodiscard]] virtual double gate_open_samples(std::size_t lane) const noexcept = 0;
};

/// Strips for `mics` mics, or for the first of them if they are more than fit side by side. Half-empty lanes
/// cost as much as full ones: few mics go into lanes half or a quarter as wide. The machine must run `isa`.
std::unique_ptr<LaneStrip> make_lane_strip(Isa isa, std::size_t mics);

} // namespace kitfold::dsp
