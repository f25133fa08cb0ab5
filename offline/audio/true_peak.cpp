#include "offline/audio/true_peak.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <array>
#include <cmath>

namespace kitfold::offline {
namespace {

constexpr std::size_t kPart = 64; // frames
/// The interpolator of libebur128 has 49 taps at 4 or 2 times the rate: it looks 25 frames back at most.
constexpr std::size_t kLead = 32;

/// What comes out of the interpolator is never larger than this times what goes in: the largest sum of
/// magnitudes of one phase of its taps, a Hann-windowed sinc (1.864 at 4 times the rate, 2.307 at twice).
double most_gain(int rate_hz) noexcept {
    if (rate_hz < 96'000) return 1.87;
    return rate_hz < 192'000 ? 2.31 : 1.0; // from 192 kHz on it takes the samples as they are
}

KITFOLD_VECTOR_CLONES float largest(const float* samples, std::size_t count) noexcept {
    std::array<float, 16> lanes{};
    std::size_t n = 0;
    for (; n + lanes.size() <= count; n += lanes.size())
        for (std::size_t k = 0; k < lanes.size(); ++k) {
            const float magnitude = std::fabs(samples[n + k]);
            lanes[k] = magnitude > lanes[k] ? magnitude : lanes[k];
        }
    for (; n < count; ++n) lanes[0] = std::max(lanes[0], std::fabs(samples[n]));
    return *std::max_element(lanes.begin(), lanes.end());
}

} // namespace

TruePeak::TruePeak(int rate_hz, std::size_t channels)
    : ebu_(channels, rate_hz, EBUR128_MODE_TRUE_PEAK), channels_(channels),
      samples_((kLead + kPart) * channels, 0.0f), most_gain_(most_gain(rate_hz)) {}

void TruePeak::measure(std::span<const float> frames, bool counts) {
    ebu_.add(frames);
    for (unsigned channel = 0; counts && channel < channels_; ++channel) {
        double found = 0.0;
        if (ebur128_prev_true_peak(ebu_.get(), channel, &found) == EBUR128_SUCCESS)
            peak_ = std::max(peak_, found);
    }
}

void TruePeak::close() {
    const auto lead = std::span(samples_).first(kLead * channels_);
    const auto part = std::span(samples_).subspan(lead.size(), filled_);
    const double part_peak = largest(part.data(), part.size());
    const double around = std::max(part_peak, lead_peak_);
    sample_peak_ = std::max(sample_peak_, part_peak);
    peak_ = std::max(peak_, part_peak);
    if (around * most_gain_ > peak_) {
        if (!in_step_) measure(lead, false); // what was left over in the filter does not count
        measure(part, true);
        in_step_ = true;
    } else {
        in_step_ = false;
    }
    lead_peak_ = part.size() < lead.size() ? around : part_peak;
    std::copy_n(part.end() - std::ptrdiff_t(lead.size()), lead.size(), lead.begin());
    filled_ = 0;
}

void TruePeak::push(std::span<const float> interleaved) {
    const std::size_t lead = kLead * channels_, whole = kPart * channels_;
    while (!interleaved.empty()) {
        const auto take = std::min(interleaved.size(), whole - filled_);
        std::copy_n(interleaved.begin(), take, samples_.begin() + std::ptrdiff_t(lead + filled_));
        interleaved = interleaved.subspan(take), filled_ += take;
        if (filled_ == whole) close();
    }
}

double TruePeak::sample_peak() {
    if (filled_ > 0) close();
    return sample_peak_;
}

double TruePeak::peak() {
    if (filled_ > 0) close();
    return peak_;
}

} // namespace kitfold::offline
