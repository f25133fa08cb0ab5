#pragma once
// A coincident pair of overheads as one mic that is deaf in one direction.
#include "analysis/ear.h"
#include "analysis/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::size_t kCourseBands = 4; ///< the upper ones of kScanBands

/// Band powers of left + right; with those of each alone they give those of any mix of the two.
ScanFeatures scan_sum(const Take& take, OverheadPair pair);

/// right - w left, w by band such that what is left of a source is least: a pair at one place hears the
/// direct sound of a source with one difference in level, however long it rings, so a fresh crash gives way
/// by some 10 dB to a ride at the other side. What the walls return stays. With one signal it is least
/// squares: w = <left right> / <left left>.
class NullBeam {
public:
    /// @param ears with their lags  @param sum of the pair  @param strokes of the source, frames on the
    /// common clock. Deaf to nothing, if the pair does not stand at one place or there are no strokes: see
    /// any().
    NullBeam(std::span<const Ear> ears, OverheadPair pair, const ScanFeatures& sum,
             std::span<const std::ptrdiff_t> strokes);
    NullBeam() = default;
    [[nodiscard]] bool any() const noexcept { return !power_.empty(); }
    /// Power on the common clock; 0 outside the take. @param band 0..kCourseBands-1
    [[nodiscard]] float energy(std::ptrdiff_t frame, std::size_t band) const noexcept {
        const auto at = frame + lag_;
        return at >= 0 && at < frames_ ? power_[static_cast<std::size_t>(at) * kCourseBands + band] : 0.0f;
    }
    /// Frames on the common clock at which it steps up.
    [[nodiscard]] std::vector<std::ptrdiff_t> steps() const;

private:
    std::ptrdiff_t lag_ = 0, frames_ = 0;
    std::vector<float> power_;
};

} // namespace kitfold::dsp
