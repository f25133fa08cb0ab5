#pragma once
// Sum as a player uses it: mono mics in, stereo out, everything movable while it plays.
#include "dynamics/kit_key.h"
#include "mix/lane_strip.h"
#include "mix/mic_delays.h"
#include "mix/pan_mix.h"
#include <memory>
#include <optional>
#include <vector>

namespace kitfold::dsp {

/// Polarity, delay, gate, level, pan, width, mute, solo and mono for 1..32 mics: MicDelays, the gates of
/// LaneStrip with their keys from KitKey, then PanMix; the samples that KitMix makes of the same settings.
/// process(): any number of frames, the same samples at any block size; never allocates, locks or throws; NaN
/// and Inf are silence.
class Sum {
public:
    /// Allocates room for 50 ms of delay and 10 ms of look-ahead in each mic. No mic has a gate. False: rate
    /// or number of mics out of range. std::bad_alloc is the caller's.
    [[nodiscard]] bool prepare(double rate_hz, std::size_t mics, Isa isa = best_isa());
    /// Silence in the delays, gates shut. Moves end at once.
    void reset() noexcept;

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too. Call
    /// settle() after the last change.
    [[nodiscard]] const Parameter* set(std::size_t mic, const MicSettings& settings) noexcept;
    [[nodiscard]] const Parameter* set(const SumSettings& settings) noexcept;
    /// Likewise; nullopt opens the gate and takes it out. With key `kit` it opens for what `bleed` cannot
    /// explain of its mic; when that is not known it is a plain gate on its own mic, as for `side_chain`.
    [[nodiscard]] const Parameter* set_gate(std::size_t mic,
                                            const std::optional<GateSettings>& gate) noexcept;
    /// What is known of the bleed between the mics, in their order; nullptr: nothing. The table must stay as
    /// it is until another one is set.
    void set_bleed(const KitKeyTable* table) noexcept { table_ = table, table_changed_ = true; }
    void settle() noexcept;

    /// The largest look-ahead of a gate, and MicDelays::kMargin while a mic has a short fractional delay.
    [[nodiscard]] std::size_t latency() const noexcept { return most_lookahead_ + delays_.latency(); }
    /// Does the gate of this mic hear the bleed-aware key?
    [[nodiscard]] bool kit_keyed(std::size_t mic) const noexcept { return key_rows_[mic] != nullptr; }
    /// Samples since reset() for which the gate of this mic was open.
    [[nodiscard]] double gate_open_samples(std::size_t mic) const noexcept;

    /// mics[m], left, right: `frames` samples each. No output may be the memory of an input.
    void process(const float* const* mics, float* left, float* right, std::size_t frames) noexcept;

private:
    static constexpr std::size_t kChunk = 256, kMostMics = MicDelays::kMaxMics;

    /// Mics side by side whose gates run together.
    struct Group {
        std::unique_ptr<LaneStrip> strip;
        std::size_t first = 0, mics = 0;
        bool running = false; ///< from the first gate on: one that goes has to open first
    };

    void make_groups(double rate_hz, std::size_t mics, Isa isa);
    [[nodiscard]] std::size_t lookahead(std::size_t mic) const noexcept;
    [[nodiscard]] bool wants_kit(std::size_t mic) const noexcept;
    void settle_keys() noexcept;
    void gate(const float* const* mics, std::size_t at, std::size_t frames) noexcept;

    double rate_hz_ = 48'000.0;
    MicDelays delays_;
    PanMix mix_;
    std::vector<MicSettings> settings_;
    std::vector<std::optional<GateSettings>> gates_;
    std::vector<Group> groups_;
    std::size_t most_lookahead_ = 0;
    KitKey kit_key_;
    const KitKeyTable* table_ = nullptr;
    bool table_changed_ = false, any_kit_key_ = false;
    std::array<char, kMostMics> keyed_{};
    std::vector<float> work_, keys_;
    std::vector<float*> rows_, key_rows_; ///< key_rows_: nullptr: the mic is its own key
};

} // namespace kitfold::dsp
