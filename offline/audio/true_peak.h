#pragma once
#include <memory>
#include <span>
#include <vector>

namespace kitfold::offline {

/// True peak of one mic after ITU-R BS.1770-4, annex 2, by libebur128. Interpolation cannot raise a sample
/// peak by more than the sum of the filter's taps; stretches that stay so far under the peak found already
/// are not interpolated, which leaves the result as it is and a drum mic quick to measure.
class TruePeak {
public:
    explicit TruePeak(int rate_hz); ///< throws std::bad_alloc
    void push(std::span<const float> block);
    [[nodiscard]] double peak(); ///< linear; of everything so far

private:
    void measure(std::span<const float> part, bool counts);
    void close();

    std::unique_ptr<void, void (*)(void*)> state_; // ebur128_state
    std::vector<float> before_, part_;
    double peak_ = 0.0;
    bool in_step_ = false; ///< the interpolator has seen what came just before
};

} // namespace kitfold::offline
