#pragma once
// A gate for one or two channels that open and close together.
#include "dynamics/gate.h"
#include <span>

namespace kitfold::dsp {

/// The larger of the keys' levels moves every channel alike, so a stereo image never shifts. With one channel
/// and one key the same samples as Gate<float, double>. Rules as for KickConditioner.
class LinkedGate {
public:
    static constexpr std::size_t kChannels = 2;

    /// Allocates; see LookAhead::prepare. False: rate out of range.
    [[nodiscard]] bool prepare(double rate_hz, double max_lookahead_ms = 10.0);
    void reset() noexcept;
    /// nullptr, or the first setting that is out of range (then nothing changed). Audio thread too.
    [[nodiscard]] const Parameter* set(const GateSettings& settings) noexcept;

    [[nodiscard]] std::size_t latency() const noexcept { return signal_[0].latency(); }
    /// Gain at the last sample, linear; samples for which it has been open since reset().
    [[nodiscard]] double gain() const noexcept { return gain_[0].gain(); }
    [[nodiscard]] double open_samples() const noexcept { return gain_[0].open_samples(); }

    /// 1 or 2 channels, 1 or 2 keys, as many each time as since reset(); `frames` samples each. Keys may be
    /// the inputs themselves; an output may be the memory of its own input only. Key listen plays key c, or
    /// the only one.
    void process(std::span<const float* const> in, std::span<const float* const> keys,
                 std::span<float* const> out, std::size_t frames) noexcept;

private:
    static constexpr std::size_t kBlock = LookAhead<float>::kMaxFrames;

    std::array<KeyDetector<float>, kChannels> detector_;
    std::array<GateGain<double>, kChannels> gain_;
    std::array<LookAhead<float>, kChannels> signal_;
    std::array<KeyListen, kChannels> listen_{};
    bool listening_ = false;
    std::array<std::array<float, kBlock>, kChannels> level_{}, key_{};
};

} // namespace kitfold::dsp
