#pragma once
// First reading of a take, one mic: what the faults and the levels are judged from. See faults.h.
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Samples that stayed on one value.
struct HeldRun {
    std::int64_t start = 0;
    std::int64_t length = 0;
    float value = 0.0f;
};

/// Full scale is 1. Frames are 1 ms (take/frames.h), the last one may be shorter.
struct MicMeasure {
    double rate_hz = 48'000.0;
    std::int64_t samples = 0;
    float highest = 0.0f, lowest = 0.0f; ///< extreme samples, >= 0 and <= 0
    float step = 1.0f; ///< smallest |sample| that is not 0: the step of a file of integers, next to nothing
                       ///< in one of floats
    double mean = 0.0; ///< over everything
    double mean_square = 0.0;
    std::vector<float> frame_energy; ///< mean square of each frame
    std::vector<float> frame_rough;  ///< mean square of its second difference: noise and cymbals, no low drum
    std::vector<float> frame_highest, frame_lowest; ///< extremes of each frame
    std::size_t full_scale_runs = 0; ///< three or more samples in a row at full scale (16 bit's last step)
    std::int64_t longest_full_scale = 0; ///< samples
    std::int64_t first_full_scale = -1;  ///< sample at which the first such run starts; -1: none
    std::vector<HeldRun> held;           ///< runs of at least 0.5 ms and 16 samples, at most kMostHeldRuns
    std::size_t held_runs = 0;           ///< how many there were
    std::vector<float> low;              ///< everything below some 450 Hz at low_rate_hz, for hum and DC
    double low_rate_hz = 2'000.0;

    [[nodiscard]] float peak() const noexcept { return highest > -lowest ? highest : -lowest; }
};

/// Of a mic that holds its value oftener every run is no news, and a hostile file would fill the memory.
inline constexpr std::size_t kMostHeldRuns = 1'000;

/// Feed a mic's samples in order, in blocks of any size, then finish. One object per mic; objects are
/// independent, so each may have its own thread. Allocates as the take grows (24 bytes per ms).
class MicMeter {
public:
    explicit MicMeter(double rate_hz, double expected_seconds = 0.0); ///< rate_hz 8'000..384'000
    void push(std::span<const float> block);
    [[nodiscard]] MicMeasure finish();

private:
    void close_frame();
    void look_for_runs();
    void end_run();
    void decimate();

    MicMeasure out_;
    std::vector<float> frame_;
    std::size_t frame_size_;
    std::int64_t frame_number_ = 0;
    double sum_ = 0.0, energy_ = 0.0;
    float before_[2] = {0.0f, 0.0f}; // last two samples of the frame before, newest last
    // A run of one value, and one at full scale, may cross frames.
    float run_value_ = 0.0f;
    std::int64_t run_length_ = 0, run_start_ = 0, least_run_;
    std::vector<float> taps_, history_;
    std::size_t step_, pending_;
};

} // namespace kitfold::dsp
