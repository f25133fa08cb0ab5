#pragma once
// Sum as a player uses it: mono mics in, stereo out, everything movable while it plays.
#include "mix/mic_delays.h"
#include "mix/pan_mix.h"
#include <vector>

namespace kitfold::dsp {

/// Polarity, delay, level, pan, width, mute, solo and mono for 1..32 mics: MicDelays, then PanMix. process():
/// any number of frames, the same samples at any block size; never allocates, locks or throws; NaN and Inf
/// are silence.
class Sum {
public:
    /// Allocates room for 50 ms of delay in each mic. False: rate or number of mics out of range.
    [[nodiscard]] bool prepare(double rate_hz, std::size_t mics);
    /// Silence in the delays. Moves end at once.
    void reset() noexcept;

    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too. Call
    /// settle() after the last change.
    [[nodiscard]] const Parameter* set(std::size_t mic, const MicSettings& settings) noexcept;
    [[nodiscard]] const Parameter* set(const SumSettings& settings) noexcept;
    void settle() noexcept;

    /// 0, or MicDelays::kMargin while a mic has a short fractional delay.
    [[nodiscard]] std::size_t latency() const noexcept { return delays_.latency(); }

    /// mics[m], left, right: `frames` samples each. No output may be the memory of an input.
    void process(const float* const* mics, float* left, float* right, std::size_t frames) noexcept;

private:
    static constexpr std::size_t kChunk = 512;
    MicDelays delays_;
    PanMix mix_;
    std::vector<float> work_;
    std::vector<float*> rows_;
};

} // namespace kitfold::dsp
