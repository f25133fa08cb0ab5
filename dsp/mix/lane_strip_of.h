#pragma once
// LaneStrip for some lane types; included by one source file per instruction set.
#include "dynamics/gate.h"
#include "filters/kick_conditioner.h"
#include "mix/lane_strip.h"

namespace kitfold::dsp {

/// Settings with which a block gives out exactly what it takes in.
inline KickSettings neutral_kick() noexcept {
    KickSettings s;
    s.high_pass_slope = s.bleed_cut_slope = Slope::off, s.shelf_db = 0.0, s.box_db = 0.0, s.level_db = 0.0;
    return s;
}
inline GateSettings neutral_gate() noexcept {
    GateSettings s;
    s.range_db = 0.0;
    return s;
}

/// The gate's detector in lanes of float (Wide), gains and kick in lanes of double, which need not fill it.
template <class Wide, class... Deep> class LaneStripOf final : public LaneStrip {
public:
    static constexpr std::size_t kStride = Lanes<Wide>::width, kLanes = (Lanes<Deep>::width + ...);

    [[nodiscard]] std::size_t width() const noexcept override { return kLanes; }

    [[nodiscard]] bool prepare(double rate_hz, StripBlocks blocks, double max_lookahead_ms) override {
        blocks_ = blocks;
        for (std::size_t k = 0; k < kLanes; ++k) set(k, nullptr, nullptr);
        bool ready = gate_.prepare(rate_hz, max_lookahead_ms);
        kicks_.each([&](auto& kick, std::size_t) { ready = kick.prepare(rate_hz) && ready; });
        return ready;
    }

    void reset() noexcept override {
        kicks_.each([](auto& kick, std::size_t) { kick.reset(); });
        gate_.reset();
    }

    void set(std::size_t lane, const KickSettings* kick, const GateSettings* gate) noexcept override {
        kicks_.of(lane, [&](auto& block, std::size_t k) {
            (void)block.set(kick != nullptr ? *kick : neutral_kick(), k);
        });
        (void)gate_.set(gate != nullptr ? *gate : neutral_gate(), lane);
    }

    void process(float* const* mics, const float* const* keys, std::size_t lanes,
                 std::size_t frames) noexcept override {
        if (!blocks_.kick && !blocks_.gate) return;
        interleave<Wide>(mics, shaped_, lanes, frames);
        if (blocks_.kick)
            kicks_.each([&](auto& kick, std::size_t first) {
                const std::size_t in_use = std::min(lanes - std::min(lanes, first), kick.kLanes);
                kick.process(shaped_ + first, shaped_ + first, frames, in_use);
            });
        if (blocks_.gate) {
            if (keys != nullptr) bring_keys(keys, lanes, frames);
            gate_.process(shaped_, keys != nullptr ? key_ : shaped_, shaped_, frames);
        }
        deinterleave<Wide>(shaped_, mics, lanes, frames);
    }

    [[nodiscard]] std::size_t gate_latency(std::size_t lane) const noexcept override {
        return gate_.latency(lane);
    }
    [[nodiscard]] double gate_open_samples(std::size_t lane) const noexcept override {
        return gate_.open_samples(lane);
    }

private:
    void bring_keys(const float* const* keys, std::size_t lanes, std::size_t frames) noexcept {
        std::copy_n(shaped_, frames * kStride, key_);
        for (std::size_t k = 0; k < lanes; ++k)
            if (keys[k] != nullptr)
                for (std::size_t n = 0; n < frames; ++n) key_[n * kStride + k] = keys[k][n];
    }

    StripBlocks blocks_;
    SideBySide<KickConditioner<Deep, kStride>...> kicks_;
    Gate<Wide, Deep...> gate_;
    /// Lanes without a mic are silent and stay so.
    alignas(64) float shaped_[kMaxFrames * kStride]{};
    alignas(64) float key_[kMaxFrames * kStride]{};
};

} // namespace kitfold::dsp
