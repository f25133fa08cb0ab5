#pragma once
// Packed little-endian samples to float and back, several channels interleaved.
#include <cstddef>
#include <cstdint>

namespace kitfold::offline {

enum class Pcm { int16, int24, float32 };

inline constexpr std::size_t bytes_of(Pcm pcm) noexcept {
    return pcm == Pcm::int16 ? 2 : pcm == Pcm::int24 ? 3 : 4;
}

/// Channel `channel` (0-based) of `frames` frames of `channels` channels, full scale +-1, exact.
void decode(Pcm pcm, const unsigned char* bytes, std::size_t channels, std::size_t channel, float* out,
            std::size_t frames) noexcept;

/// `count` integers of 16 or 24 bits as packed bytes.
void pack(Pcm pcm, const std::int32_t* values, unsigned char* bytes, std::size_t count) noexcept;

/// What is larger than any sample of sound: 60 dB over full scale. A mic that is recorded in float may go
/// over full scale, but no preamp has so much to give; whole numbers written as floats have (16 bits: +90
/// dB).
inline constexpr float kLargestSample = 1000.0f;

struct Oddities {
    std::size_t not_finite = 0, too_large = 0;
};

/// Sets NaN and Inf to 0, and counts them and what is beyond kLargestSample.
Oddities clear_non_finite(float* samples, std::size_t count) noexcept;

/// Quantises to 16 or 24 bits, with or without triangular dither of +-1 step (Lipshitz, Wannamaker and
/// Vanderkooy, "Quantization and Dither: A Theoretical Survey", JAES 40(5), 1992: the lowest-power dither
/// that leaves mean and variance of the error independent of the signal). The dither of a sample depends on
/// its place alone.
class Quantiser {
public:
    Quantiser(int bits, bool dither, std::uint32_t seed) noexcept;
    /// Integers of `bits` bits, clipped to their range, to every step-th place of `out`. Counts what it
    /// clipped.
    void process(const float* in, std::int32_t* out, std::size_t step, std::size_t frames) noexcept;
    [[nodiscard]] std::uint64_t clipped() const noexcept { return clipped_; }

private:
    double full_scale_;
    double dither_scale_; ///< 0 without dither
    std::uint32_t seed_;
    std::uint64_t at_ = 0; ///< samples so far
    std::uint64_t clipped_ = 0;
};

} // namespace kitfold::offline
