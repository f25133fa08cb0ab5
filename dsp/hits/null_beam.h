#pragma once
// A pair of overheads as one mic that is deaf to one source.
#include "hits/ear.h"
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

inline constexpr std::size_t kCourseBands = 4; ///< the upper ones of kScanBands

/// right - h * left with the filter h that leaves least of a source: what two mics hear of one thing that
/// stands still differs by a fixed filter, however long it rings, walls included. So a fresh crash gives way
/// by 20 to 40 dB, and a ride at the other side by 5. h is the least-squares (Wiener) filter, of the cross
/// spectrum over the left one's (Widrow et al., Adaptive Noise Cancelling, Proc. IEEE 63(12), 1975), cut to
/// some 85 ms, of which a quarter looks ahead.
class NullBeam {
public:
    /// Reads the pair from end to end; allocates. @param ears of all mics, with their lags  @param strokes of
    /// the source, frames on the common clock. Deaf to nothing if there are no strokes or the two do not hear
    /// the same thing: see any().
    NullBeam(const Take& take, OverheadPair pair, std::span<const Ear> ears,
             std::span<const std::ptrdiff_t> strokes);
    NullBeam() = default;
    [[nodiscard]] bool any() const noexcept { return scan_.frames() > 0; }
    /// Power on the common clock; 0 outside the take. @param band 0..kCourseBands-1
    [[nodiscard]] float energy(std::ptrdiff_t frame, std::size_t band) const noexcept {
        return frame >= 0 && frame < static_cast<std::ptrdiff_t>(scan_.frames())
                   ? scan_.energy(static_cast<std::size_t>(frame), kScanBands - kCourseBands + band)
                   : 0.0f;
    }
    /// Frames on the common clock at which it steps up.
    [[nodiscard]] std::vector<std::ptrdiff_t> steps() const;

private:
    ScanFeatures scan_;
};

} // namespace kitfold::dsp
