#pragma once
// LaneStrip for one lane type; included by one source file per instruction set.
#include "dynamics/gate.h"
#include "filters/kick_conditioner.h"
#include "mix/lane_strip.h"

namespace kitfold::dsp {

/// Settings with which a block gives out exactly what it takes in.
inline KickSettings neutral_kick() noexcept {
    KickSettings s;
    s.high_pass_slope = 0.0, s.shelf_db = 0.0, s.box_db = 0.0, s.bleed_cut_slope = 0.0, s.level_db = 0.0;
    return s;
}
inline GateSettings neutral_gate() noexcept {
    GateSettings s;
    s.range_db = 0.0;
    return s;
}

template <class V> class LaneStripOf final : public LaneStrip {
public:
    static constexpr std::size_t kLanes = Lanes<V>::width;

    [[nodiscard]] std::size_t width() const noexcept override { return kLanes; }

    [[nodiscard]] bool prepare(double rate_hz, StripBlocks blocks, double max_lookahead_ms) override {
        blocks_ = blocks;
        for (std::size_t k = 0; k < kLanes; ++k) set(k, nullptr, nullptr);
        return kick_.prepare(rate_hz) && gate_.prepare(rate_hz, max_lookahead_ms);
    }

    void reset() noexcept override { kick_.reset(), gate_.reset(); }

    void set(std::size_t lane, const KickSettings* kick, const GateSettings* gate) noexcept override {
        (void)kick_.set(kick != nullptr ? *kick : neutral_kick(), lane);
        (void)gate_.set(gate != nullptr ? *gate : neutral_gate(), lane);
    }

    void process(float* const* mics, const float* const* keys, std::size_t lanes,
                 std::size_t frames) noexcept override {
        if (!blocks_.kick && !blocks_.gate) return;
        interleave<V>(mics, shaped_, lanes, frames);
        if (blocks_.kick) kick_.process(shaped_, shaped_, frames);
        if (blocks_.gate) {
            if (keys != nullptr) bring_keys(keys, lanes, frames);
            gate_.process(shaped_, keys != nullptr ? key_ : shaped_, shaped_, frames);
        }
        deinterleave<V>(shaped_, mics, lanes, frames);
    }

    [[nodiscard]] std::size_t gate_latency(std::size_t lane) const noexcept override {
        return gate_.latency(lane);
    }
    [[nodiscard]] double gate_open_samples(std::size_t lane) const noexcept override {
        return gate_.open_samples(lane);
    }

private:
    void bring_keys(const float* const* keys, std::size_t lanes, std::size_t frames) noexcept {
        std::copy_n(shaped_, frames * kLanes, key_);
        for (std::size_t k = 0; k < lanes; ++k)
            if (keys[k] != nullptr)
                for (std::size_t n = 0; n < frames; ++n) key_[n * kLanes + k] = keys[k][n];
    }

    StripBlocks blocks_;
    KickConditioner<V> kick_;
    Gate<V> gate_;
    alignas(64) float shaped_[kMaxFrames * kLanes]{};
    alignas(64) float key_[kMaxFrames * kLanes]{};
};

} // namespace kitfold::dsp
