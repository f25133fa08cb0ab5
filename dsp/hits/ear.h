#pragma once
// One mic's scan, prepared for finding hits: where each band rises above all it did in the last few cycles.
#include "take/mic_scan.h"
#include <array>
#include <cstddef>
#include <vector>

namespace kitfold::dsp {

using BandLevels = std::array<float, kScanBands>; ///< mean square per band

/// Re the floor: what a step has to exceed, and what hides one. In a minute of simulated noise no band above
/// 5 kHz steps up by so much; without it every fortieth frame or so does.
inline constexpr float kAboveFloor = 3.0f;

/// Frames count from the start of the take, less `lag`. Reading outside the take gives silence.
class Ear {
public:
    explicit Ear(const ScanFeatures& scan);

    [[nodiscard]] std::ptrdiff_t frames() const noexcept { return frames_; }
    /// Level of the quietest tenth of the take.
    [[nodiscard]] const BandLevels& floor() const noexcept { return floor_; }
    [[nodiscard]] float energy(std::ptrdiff_t frame, std::size_t band) const noexcept {
        const auto f = frame + lag;
        return f >= 0 && f < frames_ ? scan_->energy(static_cast<std::size_t>(f), band) : 0.0f;
    }
    /// Largest step up within first..last: three frames' mean less what the band reached before, 0 if none.
    [[nodiscard]] BandLevels rise(std::ptrdiff_t first, std::ptrdiff_t last) const noexcept;
    /// What a step at `frame` has to exceed because the band was as loud a moment ago.
    [[nodiscard]] BandLevels past(std::ptrdiff_t frame) const noexcept;
    /// By how much the 8 ms from a frame on are louder than what was before, dB, mean of the bands, 0..20.
    [[nodiscard]] float novelty(std::ptrdiff_t frame) const noexcept {
        const auto f = frame + lag;
        return f >= 0 && f < frames_ ? novelty_[static_cast<std::size_t>(f)] : 0.0f;
    }
    /// The same of the two bands above 5 kHz, where a cymbal is heard whatever else is struck.
    [[nodiscard]] float top_novelty(std::ptrdiff_t frame) const noexcept {
        const auto f = frame + lag;
        return f >= 0 && f < frames_ ? top_novelty_[static_cast<std::size_t>(f)] : 0.0f;
    }

    std::ptrdiff_t lag = 0; ///< frames by which this mic is late on the whole

private:
    [[nodiscard]] float three(std::ptrdiff_t frame, std::size_t band) const noexcept;
    void find_steps(std::size_t band);
    void find_novelty();

    const ScanFeatures* scan_;
    std::ptrdiff_t frames_;
    BandLevels floor_{};
    std::vector<std::uint16_t> step_; ///< upper halves of floats, like the scan
    std::vector<float> novelty_, top_novelty_;
};

/// Frames by which `ear` is later than `reference` on the whole, within +-reach; 0 when nothing can be told.
std::ptrdiff_t common_lag(const Ear& reference, const Ear& ear, std::ptrdiff_t reach);

/// Frames at which `of(frame)` is largest within +-apart and at least `least`.
template <class Function>
std::vector<std::ptrdiff_t> peaks(std::ptrdiff_t frames, std::ptrdiff_t apart, float least, Function of) {
    std::vector<std::ptrdiff_t> out;
    for (std::ptrdiff_t f = 0; f < frames; ++f) {
        const float x = of(f);
        if (!(x >= least)) continue;
        bool largest = true;
        for (auto g = f - apart; g <= f + apart && largest; ++g) largest = g < f ? of(g) < x : of(g) <= x;
        if (largest) out.push_back(f);
    }
    return out;
}

} // namespace kitfold::dsp
