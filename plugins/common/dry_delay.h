#pragma once
// Keeps the unprocessed signal in time with a plug-in that has latency.
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

namespace kitfold::plugins {

/// A delay of whole samples for one channel. process() never allocates. NaN and Inf become silence.
class DryDelay {
public:
    void prepare(std::size_t longest) { past_.assign(longest + 1, 0.0f), write_ = 0; }
    void reset() noexcept { std::fill(past_.begin(), past_.end(), 0.0f), write_ = 0; }

    /// delay <= longest. in and out may be the same memory.
    void process(const float* in, float* out, std::size_t frames, std::size_t delay) noexcept {
        const std::size_t length = past_.size();
        for (std::size_t n = 0; n < frames; ++n) {
            past_[write_] = std::abs(in[n]) <= kLargest ? in[n] : 0.0f;
            out[n] = past_[write_ >= delay ? write_ - delay : write_ + length - delay];
            write_ = write_ + 1 == length ? 0 : write_ + 1;
        }
    }

private:
    static constexpr float kLargest = 3.4028234663852886e38f;
    std::vector<float> past_{0.0f};
    std::size_t write_ = 0;
};

} // namespace kitfold::plugins
