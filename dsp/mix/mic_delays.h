#pragma once
// Polarity and arrival time of every mic, before anything else touches it.
#include "core/moving.h"
#include <array>
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A delay that need not be whole samples, as an FIR: Kaiser-windowed sinc of 16 taps, good to 0.05 dB and
/// 0.004 sample up to 0.4 of the rate (J. F. Kaiser, 1974, for the window). A whole delay is one tap of
/// exactly 1.
struct DelayTap {
    static constexpr std::size_t kTaps = 16;
    static constexpr std::size_t kBefore = 7; ///< taps newer than the delay itself
    std::size_t whole = 0; ///< samples; the newest tap reads `whole - kBefore` back if fractional
    bool fractional = false;
    float sign = 1.0f;
    std::array<float, kTaps> fir{};
    /// delay_samples >= 0; fractional ones need >= kBefore. Nearer to a whole sample than 1/1000 counts as
    /// whole.
    static DelayTap make(double delay_samples, Polarity polarity) noexcept;
    bool operator==(const DelayTap&) const = default;
};

/// Delay and polarity for up to 32 mics. Changes are crossfaded in 20 ms. Rules as for KickConditioner.
///
/// A fractional delay needs samples from both sides. As soon as one mic has a fractional delay under 8
/// samples, all mics get 8 samples more and latency() says so; with whole or longer delays the latency is 0.
class MicDelays {
public:
    static constexpr std::size_t kMargin = 8; ///< samples
    static constexpr std::size_t kMaxMics = 32;
    /// What a session can ask for: a mic's delay, and a gate's lookahead for which the others wait.
    static constexpr double kMostDelayMs = 50.0, kMostLookaheadMs = 10.0;
    static constexpr std::size_t kMaxFrames = 512; ///< of one process() call

    /// Allocates for mics with these largest delays (ms, 0..60 each); nothing where all are 0. False: rate or
    /// number of mics out of range.
    [[nodiscard]] bool prepare(double rate_hz, std::span<const double> largest_delay_ms);
    void reset() noexcept;

    /// The delay is held to what prepare() made room for. Call settle() after the last of them.
    void set(std::size_t mic, double delay_ms, Polarity polarity, std::size_t extra_samples = 0) noexcept;
    /// Works out the common margin and starts the crossfades.
    void settle() noexcept;

    [[nodiscard]] std::size_t latency() const noexcept { return margin_; }

    /// frames <= kMaxFrames; in and out may be the same memory. NaN and Inf are taken as silence. The
    /// caller holds a FlushDenormals for all of its mics, which may be on different threads.
    void process(std::size_t mic, const float* in, float* out, std::size_t frames) noexcept;

private:
    struct Line {
        double wanted_samples = 0.0;
        Polarity polarity = Polarity::normal;
        DelayTap from, to, next;
        std::size_t left = 0; ///< samples of crossfade to go
        bool fresh = true;
        std::size_t room = 0;    ///< largest delay in samples, margin included
        std::vector<float> past; ///< ring, length a power of two; empty: no delay possible
        std::size_t write = 0;
    };

    void aim(Line& line, const DelayTap& tap) noexcept;
    void crossfade(Line& line, const float* direct, std::size_t back, std::size_t frames,
                   float* out) const noexcept;
    static void read(const Line& line, const DelayTap& tap, const float* direct, std::size_t back,
                     std::size_t frames, float* out) noexcept;

    double rate_hz_ = 48'000.0;
    std::size_t fade_length_ = 960, margin_ = 0;
    std::vector<Line> lines_;
};

} // namespace kitfold::dsp
