#pragma once
// The key of a gate that has every mic of the kit in hand: what the other mics cannot explain.
#include "core/moving.h"
#include "filters/state_variable.h"
#include "settings/kit_key_table.h"
#include <array>
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

/// Keys for up to 32 mics at once. In each band b, mic i is explained up to
///     x_ib² = n_ib² + w_ib² t_i² + Σ_j b_ijb² h_jb²,     u_ib² = max(0, |mic i|_b² - x_ib²),
/// t_i is the held level of its top band, h_jb the held u_jb of the other mics (falls by kHoldDbPerS): a drum
/// that is explained elsewhere explains nothing itself, so who hears a hit first owns it. The key of mic i is
/// its signal held to ±u_i, the power sum of u_ib: never louder than the mic, a soft hit as loud as it is
/// there, bleed near silence.
///
/// Levels are worked out some 6000 times a second (step() samples), on a grid that starts at reset(): the
/// same samples at any block size. Latency 0; a key rises at most two steps (0.35 ms) after its band does.
/// process() never allocates, locks or throws; NaN and Inf are taken as silence.
class KitKey {
public:
    static constexpr std::size_t kMaxMics = 32;
    static constexpr double kHoldDbPerS = 150.0;

    /// Allocates. False: rate or number of mics (1..32) out of range.
    [[nodiscard]] bool prepare(double rate_hz, std::size_t mics);
    void reset() noexcept;

    /// Takes the table. Mics in it beyond the number prepared are left out. Audio thread too.
    void set(const KitKeyTable& table) noexcept;
    /// Delay by which mic's signal comes later than its input (0..60 ms, whole steps), so that levels are
    /// compared as the strips hear them, and by which its key has to wait beyond that (0..10 ms).
    void set_delay(std::size_t mic, double delay_ms, double key_wait_ms) noexcept;

    [[nodiscard]] std::size_t step() const noexcept { return step_; }
    [[nodiscard]] double step_rate_hz() const noexcept { return rate_hz_ / static_cast<double>(step_); }

    /// inputs[m]: every mic as it comes in. signals[m], keys[m]: the mic as its gate hears it and its key, or
    /// keys[m] nullptr for a mic without one. `frames` samples each; a key may be its signal's memory.
    void process(const float* const* inputs, const float* const* signals, float* const* keys,
                 std::size_t frames) noexcept;

    /// One step on from the low-passed samples low[m], without delays: for learning.
    void advance(const float* low) noexcept;
    /// Squared level of mic m in a band after the last step, of what is unexplained of it, of what a source
    /// holds, and of the key.
    [[nodiscard]] float power(std::size_t mic, std::size_t band) const noexcept {
        return power_[band * stride_ + mic];
    }
    [[nodiscard]] float unexplained(std::size_t mic, std::size_t band) const noexcept {
        return left_[band * stride_ + mic];
    }
    [[nodiscard]] float held(std::size_t mic, std::size_t band) const noexcept {
        return held_[band * stride_ + mic];
    }
    [[nodiscard]] float top(std::size_t mic) const noexcept { return top_[mic]; }
    [[nodiscard]] float key_power(std::size_t mic) const noexcept { return key_[mic]; }

    /// Weights of a step's samples in this and the next low-passed sample (two boxes of one step each).
    [[nodiscard]] float low(const float* samples, float& carry) const noexcept;

private:
    void make_filters() noexcept;
    void end_step() noexcept;
    void write_keys(const float* const* signals, float* const* keys, std::size_t at,
                    std::size_t frames) noexcept;

    static constexpr std::size_t kMaxStep = 64, kPad = 16;

    double rate_hz_ = 48'000.0;
    std::size_t mics_ = 0, stride_ = 0, step_ = 8, position_ = 0;
    std::array<float, kMaxStep> now_{}, later_{}; ///< weights, zero beyond the step
    std::vector<float> stage_, carry_, low_;      ///< kMaxStep per mic; one per mic
    // [band][mic], stride_ mics
    struct Coefficients {
        float a1 = 0, a2 = 0, a3 = 0, k = 0;
    };
    std::array<Coefficients, kKeyBands> filter_{};
    std::vector<float> band1_, low1_, band2_, low2_, power_, left_, held_, noise_, weight_, wash_, top_;
    std::vector<float> bleed_; ///< [source][band][mic], squared
    std::vector<std::size_t> sources_;
    std::vector<float> key_, limit_;
    std::vector<char> known_;
    // Delays at the step rate, rings of kRing steps.
    std::size_t ring_ = 0, write_ = 0;
    std::vector<float> lows_, limits_;
    std::vector<std::size_t> delay_, wait_;
    float hold_ = 0.0f, fall_ = 0.0f;
};

} // namespace kitfold::dsp
