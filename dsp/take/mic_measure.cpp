#include "take/mic_measure.h"
#include "core/dot.h"
#include "core/windows.h"
#include "take/frames.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <utility>

namespace kitfold::dsp {
namespace {

constexpr float kFullScale = 32'767.0f / 32'768.0f; // the highest step of 16 bits; of 24 bits it is higher
constexpr std::int64_t kLeastFullScaleRun = 3;      // fewer can be a peak that was normalised
constexpr double kLowRateHz = 2'000.0;              // enough for hum to its eighth harmonic, 480 Hz
constexpr double kLowPassHz = 450.0, kLowStopHz = 1'550.0; // what folds back from above lands above 450 Hz

/// Kaiser window design, 80 dB (Oppenheim and Schafer, ch. 7).
std::vector<float> low_pass(double rate_hz) {
    constexpr double stop_db = 80.0;
    const double width = 2.0 * std::numbers::pi * (kLowStopHz - kLowPassHz) / rate_hz;
    const auto length = std::size_t(kaiser_length(stop_db, width)) | 1u;
    const double corner = (kLowStopHz + kLowPassHz) / 2.0 / rate_hz, middle = double(length - 1) / 2.0;
    std::vector<double> taps(length);
    double sum = 0.0;
    for (std::size_t m = 0; m < length; ++m) {
        const double x = double(m) - middle;
        taps[m] = ideal_low_pass(corner, x) * kaiser(kaiser_beta(stop_db), x / middle);
        sum += taps[m];
    }
    std::vector<float> out(length);
    std::transform(taps.begin(), taps.end(), out.begin(), [=](double t) { return float(t / sum); });
    return out;
}

constexpr std::size_t kLanes = 8; // independent sums, so that the compiler may use vectors

/// Sum of squares of the second difference; `before` are the two samples in front of `x`.
float roughness(const float (&before)[2], std::span<const float> x) {
    std::array<float, kLanes> sum{};
    const auto square = [](float a, float b, float c) { return (a - 2.0f * b + c) * (a - 2.0f * b + c); };
    float total = square(before[0], before[1], x[0]);
    if (x.size() > 1) total += square(before[1], x[0], x[1]);
    std::size_t i = 2;
    for (; i + kLanes <= x.size(); i += kLanes)
        for (std::size_t l = 0; l < kLanes; ++l) sum[l] += square(x[i + l - 2], x[i + l - 1], x[i + l]);
    for (; i < x.size(); ++i) total += square(x[i - 2], x[i - 1], x[i]);
    for (const float s : sum) total += s;
    return total;
}

struct Extremes {
    float highest, lowest, step;
    double sum;
};

Extremes extremes_of(std::span<const float> x) {
    std::array<float, kLanes> high{}, low{}, sum{}, step;
    step.fill(1.0f);
    const auto step_of = [](float v) { return v > 0.0f ? v : v < 0.0f ? -v : 1.0f; };
    std::size_t i = 0;
    for (; i + kLanes <= x.size(); i += kLanes)
        for (std::size_t l = 0; l < kLanes; ++l) {
            const float v = x[i + l], s = step_of(v);
            high[l] = v > high[l] ? v : high[l];
            low[l] = v < low[l] ? v : low[l];
            step[l] = s < step[l] ? s : step[l];
            sum[l] += v;
        }
    Extremes e{0.0f, 0.0f, 1.0f, 0.0};
    for (std::size_t l = 0; l < kLanes; ++l)
        e.highest = std::max(e.highest, high[l]), e.lowest = std::min(e.lowest, low[l]),
        e.step = std::min(e.step, step[l]), e.sum += sum[l];
    for (; i < x.size(); ++i)
        e.highest = std::max(e.highest, x[i]), e.lowest = std::min(e.lowest, x[i]),
        e.step = std::min(e.step, step_of(x[i])), e.sum += x[i];
    return e;
}

} // namespace

MicMeter::MicMeter(double rate_hz, double expected_seconds)
    : frame_size_(std::size_t(frame_start(1, rate_hz))),
      least_run_(std::max<std::int64_t>(16, std::llround(rate_hz / 2'000.0))), taps_(low_pass(rate_hz)),
      step_(std::max<std::size_t>(1, std::size_t(rate_hz / kLowRateHz))), pending_(0) {
    out_.rate_hz = rate_hz;
    out_.low_rate_hz = rate_hz / double(step_);
    const auto frames = std::size_t(std::max(0.0, expected_seconds) * 1'000.0) + 2;
    for (auto* v : {&out_.frame_energy, &out_.frame_rough, &out_.frame_highest, &out_.frame_lowest})
        v->reserve(frames);
    out_.low.reserve(std::size_t(expected_seconds * out_.low_rate_hz) + 2);
    frame_.reserve(frame_size_);
    history_.assign(taps_.size() - 1, 0.0f);
}

void MicMeter::push(std::span<const float> block) {
    while (!block.empty()) {
        const auto take = std::min(block.size(), frame_size_ - frame_.size());
        frame_.insert(frame_.end(), block.begin(), block.begin() + std::ptrdiff_t(take));
        block = block.subspan(take);
        if (frame_.size() == frame_size_) close_frame();
    }
}

void MicMeter::close_frame() {
    const auto e = extremes_of(frame_);
    const double energy = dot(frame_.data(), frame_.data(), frame_.size());
    out_.frame_energy.push_back(float(energy / double(frame_.size())));
    out_.frame_rough.push_back(roughness(before_, frame_) / float(frame_.size()));
    before_[0] = frame_.size() > 1 ? frame_[frame_.size() - 2] : before_[1];
    before_[1] = frame_.back();
    out_.frame_highest.push_back(e.highest);
    out_.frame_lowest.push_back(e.lowest);
    out_.highest = std::max(out_.highest, e.highest);
    out_.lowest = std::min(out_.lowest, e.lowest);
    out_.step = std::min(out_.step, e.step);
    sum_ += e.sum, energy_ += energy;
    look_for_runs();
    decimate();
    out_.samples += std::int64_t(frame_.size());
    frame_.clear();
    ++frame_number_;
    frame_size_ =
        std::size_t(frame_start(frame_number_ + 1, out_.rate_hz) - frame_start(frame_number_, out_.rate_hz));
}

void MicMeter::end_run() {
    if (run_length_ >= least_run_) {
        ++out_.held_runs;
        if (out_.held.size() < kMostHeldRuns) out_.held.push_back({run_start_, run_length_, run_value_});
    }
    if (std::abs(run_value_) >= kFullScale && run_length_ >= kLeastFullScaleRun) {
        if (out_.full_scale_runs++ == 0) out_.first_full_scale = run_start_;
        out_.longest_full_scale = std::max(out_.longest_full_scale, run_length_);
    }
}

void MicMeter::look_for_runs() {
    // Nearly always there is none: compare neighbours first, and walk only where some are equal.
    std::size_t equal = frame_.front() == run_value_ ? 1u : 0u;
    for (std::size_t n = 1; n < frame_.size(); ++n) equal += frame_[n] == frame_[n - 1] ? 1u : 0u;
    const bool beyond = std::max(out_.frame_highest.back(), -out_.frame_lowest.back()) >= kFullScale;
    if (equal == 0 && !beyond) {
        end_run();
        run_value_ = frame_.back(), run_length_ = 1,
        run_start_ = out_.samples + std::int64_t(frame_.size()) - 1;
        return;
    }
    for (std::size_t n = 0; n < frame_.size(); ++n) {
        // Beyond full scale all values are one: a float file may go further than its converter did.
        const float value = std::clamp(frame_[n], -1.0f, 1.0f);
        if (value == run_value_ && run_length_ > 0) {
            ++run_length_;
            continue;
        }
        end_run();
        run_value_ = value, run_length_ = 1, run_start_ = out_.samples + std::int64_t(n);
    }
}

void MicMeter::decimate() {
    history_.insert(history_.end(), frame_.begin(), frame_.end());
    std::size_t at = pending_;
    for (; at + taps_.size() <= history_.size(); at += step_)
        out_.low.push_back(dot(taps_.data(), history_.data() + at, taps_.size()));
    const auto used = std::min(at, history_.size());
    pending_ = at - used;
    history_.erase(history_.begin(), history_.begin() + std::ptrdiff_t(used));
}

MicMeasure MicMeter::finish() {
    if (!frame_.empty()) close_frame();
    end_run();
    run_length_ = 0;
    if (out_.samples > 0)
        out_.mean = sum_ / double(out_.samples), out_.mean_square = energy_ / double(out_.samples);
    return std::exchange(out_, {});
}

} // namespace kitfold::dsp
