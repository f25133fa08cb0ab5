#pragma once
// The strokes of one drum laid over one another, in every mic.
#include "pairs/first_wave.h"
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// What is kept around a stroke. A file may be 40 ms off either way; ahead of the wave 14 ms of noise are
/// looked at, and of the wave 8 and of the body 23.
inline constexpr double kStrokeBeforeMs = 60.0, kStrokeAfterMs = 75.0;

/// Range in ms in which a mic may hear a drum, re the mic that the strokes are lined up on.
struct Bounds {
    double from_ms = 0.0, to_ms = 0.0;
};

/// Of the mic that they are lined up on itself.
inline constexpr Bounds kLinedUp{-2.5, 2.5};

/// One mic's sound of a drum, from all strokes together.
struct Heard {
    FirstWave wave;         ///< times in samples re the line-up
    double noise = 1.0;     ///< what is left before the arrival, re the peak of the first wave
    std::vector<double> at; ///< wave.at without each of up to eight groups of strokes
    std::vector<float> stack;
};

/// Strokes are taken by their shape, so hits need not all be right, nor exact: those as loud as the drum is
/// played that look like most of them in the mic `on`. Above 60 Hz (first order, causal: it takes rumble out
/// and moves no onset); each scaled to the same peak in `on`.
class DrumStrokes {
public:
    /// @param on mic that speaks for the drum  @param mics that will be asked for
    DrumStrokes(const Take& take, std::span<const Hit> hits, Drum drum, std::size_t on,
                std::span<const std::size_t> mics);

    /// The same strokes below or above `hz` (second order, causal).
    [[nodiscard]] DrumStrokes below(double hz) const { return filtered(hz, false); }
    [[nodiscard]] DrumStrokes above(double hz) const { return filtered(hz, true); }

    [[nodiscard]] std::size_t size() const noexcept { return at_.size(); }
    [[nodiscard]] Drum drum() const noexcept { return drum_; }
    [[nodiscard]] std::size_t on() const noexcept { return on_; }
    /// When `on` hears the strokes, in samples of the take; rising.
    [[nodiscard]] std::span<const double> times() const noexcept { return at_; }
    /// Index of time 0 in excerpts and stacks.
    [[nodiscard]] std::size_t origin() const noexcept { return origin_; }
    [[nodiscard]] std::span<const float> of(std::size_t mic, std::size_t stroke) const noexcept {
        return std::span(samples_).subspan((row_[mic] * size() + stroke) * length_, length_);
    }
    [[nodiscard]] std::size_t unclipped(std::size_t mic) const noexcept;

    /// Noise of each stroke in a mic: what differs from the typical stroke in the 12 ms before the arrival,
    /// power re the peak of the first wave. Infinite where the recording is clipped.
    [[nodiscard]] std::vector<double> noise(std::size_t mic, Bounds bounds) const;
    /// The less noise, the more a stroke counts. @param noise of each stroke, infinite: not at all
    [[nodiscard]] static std::vector<float> weights(std::span<const double> noise);
    /// @pre weights add up to 1
    [[nodiscard]] Heard hear(std::size_t mic, Bounds bounds, std::span<const float> weights) const;

private:
    [[nodiscard]] DrumStrokes filtered(double hz, bool above) const;
    [[nodiscard]] std::vector<float> stack(std::size_t mic, std::span<const float> weights) const;
    [[nodiscard]] FirstWave wave(std::span<const float> stack, Bounds bounds) const;
    void read(const Take& take, std::span<const std::size_t> mics);

    Drum drum_;
    double rate_hz_;
    std::size_t on_, origin_, length_;
    std::vector<double> at_;
    std::vector<std::size_t> row_; ///< of a mic
    std::vector<float> samples_;
    std::vector<bool> clipped_; ///< as the rows
};

} // namespace kitfold::dsp
