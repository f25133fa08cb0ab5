#pragma once
#include "offline/audio/ebu.h"
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::offline {

/// True peak of one or two channels after ITU-R BS.1770-4, annex 2, by libebur128. Interpolation cannot
/// raise a sample peak by more than the sum of the filter's taps; stretches that stay so far under the peak
/// found already are not interpolated, which leaves the result as it is and takes a fraction of the time.
class TruePeak {
public:
    /// @param rate_hz 8'000..384'000  @param channels 1..2. Throws std::bad_alloc.
    explicit TruePeak(int rate_hz, std::size_t channels = 1);
    void push(std::span<const float> interleaved); ///< whole frames
    /// Linear; the largest of all channels and of everything so far, never below the largest sample.
    [[nodiscard]] double peak();
    [[nodiscard]] double sample_peak(); ///< linear; the largest magnitude so far

private:
    void measure(std::span<const float> frames, bool counts);
    void close();

    Ebu ebu_;
    std::size_t channels_, filled_ = 0; ///< samples of the part so far
    std::vector<float> samples_;        ///< those just before, then the part
    double most_gain_, peak_ = 0.0, sample_peak_ = 0.0;
    double lead_peak_ = 0.0; ///< at least the largest of those just before
    bool in_step_ = false;   ///< the interpolator has seen what came just before
};

} // namespace kitfold::offline
