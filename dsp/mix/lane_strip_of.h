#pragma once
// LaneStrip for one lane type; included by one source file per instruction set.
#include "dynamics/damp.h"
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
        for (std::size_t k = 0; k < kLanes; ++k) set(k, nullptr, nullptr, nullptr);
        return kick_.prepare(rate_hz) && gate_.prepare(rate_hz, max_lookahead_ms) && damp_.prepare(rate_hz);
    }

    void reset() noexcept override { kick_.reset(), gate_.reset(), damp_.reset(); }

    void set(std::size_t lane, const KickSettings* kick, const GateSettings* gate,
             const DampSettings* damp) noexcept override {
        (void)kick_.set(kick != nullptr ? *kick : neutral_kick(), lane);
        (void)gate_.set(gate != nullptr ? *gate : neutral_gate(), lane);
        (void)damp_.set(damp != nullptr ? *damp : DampSettings{}, lane); // amount 0: the input itself
    }

    void kick_and_gate(float* const* mics, const float* const* keys, std::size_t lanes,
                       std::size_t frames) noexcept override {
        if (!blocks_.kick && !blocks_.gate) return;
        take(mics, shaped_, lanes, frames);
        if (blocks_.kick) kick_.process(shaped_, shaped_, frames);
        if (blocks_.gate) {
            if (keys != nullptr) bring_keys(keys, lanes, frames);
            gate_.process(shaped_, keys != nullptr ? key_ : shaped_, shaped_, frames);
        }
        give(shaped_, mics, lanes, frames);
    }

    void damp(float* const* mics, std::size_t lanes, std::size_t frames) noexcept override {
        if (!blocks_.damp) return;
        take(mics, damped_, lanes, frames);
        damp_.process(damped_, damped_, frames);
        give(damped_, mics, lanes, frames);
    }

    [[nodiscard]] std::size_t gate_latency(std::size_t lane) const noexcept override {
        return gate_.latency(lane);
    }
    [[nodiscard]] double gate_open_samples(std::size_t lane) const noexcept override {
        return gate_.open_samples(lane);
    }

private:
    /// Lanes without a mic are silent.
    static void take(const float* const* mics, float* signal, std::size_t lanes,
                     std::size_t frames) noexcept {
        static constexpr float kSilence[kMaxFrames]{};
        const float* rows[kLanes];
        for (std::size_t k = 0; k < kLanes; ++k) rows[k] = k < lanes ? mics[k] : kSilence;
        interleave<V>(rows, signal, frames);
    }
    static void give(const float* signal, float* const* mics, std::size_t lanes,
                     std::size_t frames) noexcept {
        float nobody[kMaxFrames];
        float* rows[kLanes];
        for (std::size_t k = 0; k < kLanes; ++k) rows[k] = k < lanes ? mics[k] : nobody;
        deinterleave<V>(signal, rows, frames);
    }

    void bring_keys(const float* const* keys, std::size_t lanes, std::size_t frames) noexcept {
        std::copy_n(shaped_, frames * kLanes, key_);
        for (std::size_t k = 0; k < lanes; ++k)
            if (keys[k] != nullptr)
                for (std::size_t n = 0; n < frames; ++n) key_[n * kLanes + k] = keys[k][n];
    }

    StripBlocks blocks_;
    KickConditioner<V> kick_;
    Gate<V> gate_;
    Damp<V> damp_;
    alignas(64) float shaped_[kMaxFrames * kLanes]{}, damped_[kMaxFrames * kLanes]{};
    alignas(64) float key_[kMaxFrames * kLanes]{};
};

} // namespace kitfold::dsp
