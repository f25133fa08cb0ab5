#pragma once
// The key of a gate that has every mic of the kit in hand: what the other mics cannot explain.
#include "core/aligned.h"
#include "core/moving.h"
#include "filters/state_variable.h"
#include "settings/kit_key_table.h"
#include <array>
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A path whose waveform is known: the slot it leads to, where past and response begin.
struct ForetoldPath {
    std::size_t to, past, response;
};

/// Keys for up to 32 mics at once. What the waveforms of the other close mics foretell of mic i is taken off
/// first (response, an FIR below 2 kHz or so; linear prediction by least squares, textbook). Of the rest, in
/// each band b, mic i is explained up to
///     x_ib² = n_ib² + w_ib² t_i² + Σ_j b_ijb² h_jb²,     u_ib² = max(0, |mic i|_b² - x_ib²),
/// t_i is the held level of its top band, as fast as a resonance of band b lets it rise (time constant 2 Q /
/// ω of its envelope, textbook), h_jb the held u_jb of the other mics (falls by kHoldDbPerS): a drum that is
/// explained elsewhere explains nothing itself, so who hears a hit first owns it. The key of mic i is its
/// signal held to ±u_i, the weighted power sum of u_ib, which falls by 500 dB/s at most: never louder than
/// the mic, a soft hit as loud as it is there, bleed near silence.
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

    /// Takes the table. Mics in it beyond the number prepared are left out. keyed[m] is 0 for a mic whose key
    /// nobody will ask for: what only it needs is not worked out (empty: all may be asked for). Levels start
    /// afresh if other mics take part than before. Audio thread too.
    void set(const KitKeyTable& table, std::span<const char> keyed = {}) noexcept;
    /// Delay by which mic's signal comes later than its input, so that levels are compared as the strips hear
    /// them, and by which its key has to wait beyond that; each in whole steps and held to 0..72 ms.
    void set_delay(std::size_t mic, double delay_ms, double key_wait_ms) noexcept;

    [[nodiscard]] std::size_t step() const noexcept { return step_; }
    [[nodiscard]] double step_rate_hz() const noexcept { return rate_hz_ / static_cast<double>(step_); }

    /// inputs[m]: every mic as it comes in. signals[m], keys[m]: the mic as its gate hears it and its key, or
    /// keys[m] nullptr for a mic without one. `frames` samples each; a key may be its signal's memory.
    void process(const float* const* inputs, const float* const* signals, float* const* keys,
                 std::size_t frames) noexcept;

    // For learning; @pre set() with all mics keyed.
    /// The low-passed sample that step() samples come to; carry is what they leave to the next.
    [[nodiscard]] float low(const float* samples, float& carry) const noexcept;
    /// One step on from low-passed samples, one per mic: waveforms, then levels.
    void advance(const float* lows) noexcept;
    /// The first half alone: sets wave().
    void advance_waveforms(const float* lows) noexcept;
    /// The second half alone, from what wave() gave at this step when the same responses were set.
    void advance_past_waveforms(const float* waves) noexcept;
    /// After the last step: the mic's low-passed sample less what was foretold of it; its squared level in a
    /// band; what is unexplained of that; what it holds as a source; its top band as that band sees it.
    [[nodiscard]] float wave(std::size_t mic) const noexcept { return low_[mic]; }
    [[nodiscard]] float power(std::size_t mic, std::size_t band) const noexcept {
        return power_[band * stride_ + mic];
    }
    [[nodiscard]] float unexplained(std::size_t mic, std::size_t band) const noexcept {
        return left_[band * stride_ + mic];
    }
    [[nodiscard]] float held(std::size_t mic, std::size_t band) const noexcept {
        return held_[band * stride_ + mic];
    }
    [[nodiscard]] float top(std::size_t mic, std::size_t band) const noexcept {
        return slow_top_[band * stride_ + mic];
    }

private:
    static constexpr std::size_t kWide = 8, kMaxStep = 64, kMaxTaps = 72, kChunk = 512;

    void make_filters() noexcept;
    void choose_mics(const KitKeyTable& table, std::span<const char> keyed) noexcept;
    void set_bands(const KitKeyTable& table) noexcept;
    void set_paths(const KitKeyTable& table) noexcept;
    void put_response(std::span<const double> response, std::span<float> taps) const noexcept;
    void clear_levels() noexcept;
    void foretell() noexcept;
    void set_levels() noexcept;
    void end_step() noexcept;
    void chunk(const float* const* inputs, const float* const* signals, float* const* keys, std::size_t at,
               std::size_t frames) noexcept;
    void write_key(const float* signal, std::size_t mic, std::size_t segments, float* key,
                   std::size_t frames) noexcept;

    struct Coefficients {
        float a1 = 0, a2 = 0, a3 = 0, k = 0;
    };
    struct ForetoldMic {
        std::size_t slot, first, paths; ///< in foretold_
    };

    double rate_hz_ = 48'000.0;
    std::size_t mics_ = 0, step_ = 8, position_ = 0;
    std::array<float, kMaxStep> now_{}, later_{}; ///< weights of two boxes of one step each
    // The mics that take part stand side by side, stride_ of them (a multiple of kWide) to a row.
    std::size_t count_ = 0, stride_ = kWide;
    std::array<std::size_t, kMaxMics> mic_{}, slot_{}; ///< of a slot; of a mic, or kMaxMics
    LineVector stage_, carry_, raw_, low_;
    std::array<Coefficients, kKeyBands> filter_{};
    std::array<char, kKeyBands> band_used_{};
    LineVector band1_, low1_, band2_, low2_, power_, left_, held_, noise_, weight_, wash_,
        slow_top_;     ///< [band][slot]
    LineVector bleed_; ///< [source][band][slot], squared
    std::array<std::array<std::size_t, kMaxMics>, kKeyBands> sources_{};
    std::array<std::size_t, kKeyBands> source_count_{};
    LineVector top_, key_, limit_, fresh_;
    std::array<char, kMaxMics> known_{};
    // Waveforms: the last taps_ samples of each slot, twice over, and the responses in reverse.
    std::size_t taps_ = kResponseTaps, past_at_ = 0;
    LineVector past_, responses_;
    std::vector<double> to_step_rate_;   ///< a row of taps_ weights for each tap of a response
    std::vector<ForetoldPath> foretold_; ///< by the mic that they lead to
    std::vector<ForetoldMic> foretold_mics_;
    // Delays at the step rate, rings of ring_ steps.
    std::size_t ring_ = 0, write_ = 0;
    LineVector lows_, limits_;
    std::vector<std::size_t> delay_, wait_; ///< per mic
    std::array<std::size_t, kMaxMics> slot_delay_{}, slot_wait_{};
    LineVector bounds_; ///< limits during a chunk, one row for each step
    std::vector<std::size_t> lengths_;
    std::array<float, kChunk> bound_{};
    float hold_ = 0.0f, fall_ = 0.0f;
    std::array<float, kKeyBands> follow_{}; ///< of the top band, by each band
};

/// An impulse response sampled at from_hz as it has to be at to_hz, `taps` long. By the sampling theorem; the
/// same rate gives the same numbers.
void resample_response(std::span<const double> from, double from_hz, std::span<float> to,
                       double to_hz) noexcept;

} // namespace kitfold::dsp
