#pragma once
// N mono mics to two tracks: level, pan law, width of the pairs, mute, solo, mono.
#include "core/moving.h"
#include <array>
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

struct StereoGain {
    double left = 0.0, right = 0.0;
    bool operator==(const StereoGain&) const = default;
};

/// Gains of a mic at `pan` (-1 left..1 right). At the centre: 0 dB (balance: the far
/// side falls), -3 (sine and cosine, L² + R² = 1), -4.5 (geometric mean of its neighbours), -6 (linear, L + R
/// = 1). Handbook values at the centre: -3.01, -4.52, -6.02 dB.
StereoGain pan_gain(double pan, PanLaw law) noexcept;

/// A pair's width in mid and side, put into the gains of one of its mics: 0 mono, 1 as it is, 1.5 wider.
StereoGain widened(StereoGain gain, double width) noexcept;

/// The summing of up to 32 mics. Gains move linearly in 20 ms (a level from -inf has no dB to move through).
/// Added up in double in the order of the mics, given out as float. Latency 0; rules as for KickConditioner.
class PanMix {
public:
    static constexpr std::size_t kMaxMics = 32;
    static constexpr std::size_t kMaxFrames = 512; ///< of one process() call

    /// Allocates. False: rate or number of mics (1..32) out of range.
    [[nodiscard]] bool prepare(double rate_hz, std::size_t mics);
    void reset() noexcept;

    /// nullptr, or the first setting that is out of range (then nothing changed). Call settle() after the
    /// last of them.
    [[nodiscard]] const Parameter* set(std::size_t mic, const MicSettings& settings) noexcept;
    [[nodiscard]] const Parameter* set(const SumSettings& settings) noexcept;
    /// Works out every mic's gains (solo and width depend on all) and starts to move there. Audio thread too.
    void settle() noexcept;

    /// Target gains of a mic, mono switch apart.
    [[nodiscard]] StereoGain gain(std::size_t mic) const noexcept { return lines_[mic].next; }
    /// The same after the mono switch.
    [[nodiscard]] StereoGain heard_gain(std::size_t mic) const noexcept {
        const auto g = gain(mic);
        const double middle = 0.5 * (g.left + g.right);
        return sum_.mono ? StereoGain{middle, middle} : g;
    }

    /// mics[m]: frames (<= kMaxFrames) samples; left and right may not overlap them.
    void process(const float* const* mics, float* left, float* right, std::size_t frames) noexcept;

private:
    struct Line {
        MicSettings settings;
        StereoGain from, to, next;
        std::size_t left = 0; ///< samples of the move to go
    };

    static void aim(Line& line, StereoGain gain, std::size_t length, bool fresh) noexcept;
    [[nodiscard]] StereoGain target(const Line& line, bool any_solo) const noexcept;
    StereoGain step(Line& line) noexcept;
    std::size_t add(std::size_t m, const float* const* mics, std::size_t frames) noexcept;

    std::size_t move_length_ = 960;
    bool fresh_ = true;
    std::vector<Line> lines_;
    SumSettings sum_;
    Line mono_; ///< left: share of the own channel, right: share of the other
    std::array<double, kMaxFrames> left_{}, right_{};
};

} // namespace kitfold::dsp
