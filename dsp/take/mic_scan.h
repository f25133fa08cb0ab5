#pragma once
// First reading of a take: band energies of one mic, one frame per millisecond (take/frames.h).
#include <array>
#include <bit>
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::size_t kScanBands = 8;
/// Centres of the bands, an octave apart up to 480 Hz and wider above; each is two second-order band-passes.
/// A band with its centre above 0.45 of the rate stays silent.
inline constexpr std::array<double, kScanBands> kScanBandHz{60, 120, 240, 480, 1100, 3000, 7000, 12'000};
inline constexpr std::size_t kFirstTopBand = 6; ///< of two above 5 kHz, where cymbals speak

/// Mean square of each band in each frame, relative to full scale squared, kept as the upper half of a float
/// (0.03 dB).
class ScanFeatures {
public:
    [[nodiscard]] std::size_t frames() const noexcept { return energy_.size() / kScanBands; }
    [[nodiscard]] float energy(std::size_t frame, std::size_t band) const noexcept {
        return std::bit_cast<float>(static_cast<std::uint32_t>(energy_[frame * kScanBands + band]) << 16);
    }

private:
    friend class MicScan;
    std::vector<std::uint16_t> energy_;
};

/// Feed a mic's samples in order, in blocks of any size, then take the features. One object per mic; objects
/// are independent, so each may have its own thread. Allocates as the take grows (16 bytes per ms).
class MicScan {
public:
    explicit MicScan(double rate_hz, double expected_seconds = 0.0); ///< rate_hz 8'000..384'000
    void push(std::span<const float> block);
    [[nodiscard]] ScanFeatures finish(); ///< the last frame may be shorter than the others

private:
    using Lanes = std::array<float, kScanBands>;
    void run(std::span<const float> part);
    void close_frame();
    double rate_hz_;
    std::int64_t frame_ = 0;
    std::size_t hop_, filled_ = 0;
    Lanes a1_{}, a2_{}, a3_{}, k_{}, s1_{}, s2_{}, t1_{}, t2_{}, sum_{};
    ScanFeatures out_;
};

} // namespace kitfold::dsp
