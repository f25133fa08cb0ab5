#include "pairs/sums.h"
#include <algorithm>
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

namespace {

constexpr std::size_t kMostSummed = 40; // as many strokes say what a take does, and more cost time
constexpr double kBefore_s = 0.001, kSpan_s = 0.080; // a stroke's body, before the next one
constexpr double kLowHz = 200.0;                     // the weight of kick, toms and snare
constexpr double kLead_s = 0.026;                    // kLongestMs and a little

/// Butterworth low-pass of fourth order, in place: two second-order sections (the bilinear transform).
void low_pass(std::span<float> x, double rate_hz) {
    const double w = std::tan(std::numbers::pi * kLowHz / rate_hz);
    for (const double q : {0.54119610, 1.30656296}) {
        const double norm = 1.0 / (1.0 + w / q + w * w), b = w * w * norm;
        const double a1 = 2.0 * (w * w - 1.0) * norm, a2 = (1.0 - w / q + w * w) * norm;
        double s1 = 0.0, s2 = 0.0;
        for (float& v : x) {
            const double in = static_cast<double>(v), out = b * in + s1;
            s1 = 2.0 * b * in - a1 * out + s2, s2 = b * in - a2 * out;
            v = static_cast<float>(out);
        }
    }
}

} // namespace

StrokeSums::StrokeSums(const Take& take, const StrokeTimes& times)
    : drum_(times.drum), strokes_(std::min(kMostSummed, times.at.size())), mics_(take.mics.size()) {
    std::vector<std::int64_t> at;
    for (std::size_t n = 0; n < strokes_; ++n) at.push_back(times.at[n * times.at.size() / strokes_]);
    read(take, at);
    cross_.resize(kBands.size() * strokes_ * mics_ * mics_);
    for (const auto band : kBands)
        for (std::size_t m = 0; m < mics_; ++m) cross_with(band, m);
}

void StrokeSums::read(const Take& take, std::span<const std::int64_t> at) {
    const double rate = take.rate_hz;
    const auto step =
        std::max<std::size_t>(1, static_cast<std::size_t>(rate / 12'000.0)); // 200 Hz needs no more
    for (const auto band : kBands) {
        auto& e = bands_[static_cast<std::size_t>(band)];
        e.rate_hz = band == Band::full ? rate : rate / static_cast<double>(step);
        e.lead = static_cast<std::size_t>(kLead_s * e.rate_hz);
        e.span = static_cast<std::size_t>(kSpan_s * e.rate_hz);
        e.length = e.lead + e.span;
        e.samples.resize(strokes_ * mics_ * e.length);
        e.delays.assign(mics_, 0);
    }
    auto &full = bands_[0], &low = bands_[1];
    std::vector<float> x(2 * full.lead + full.span);
    for (std::size_t n = 0; n < strokes_; ++n)
        for (std::size_t m = 0; m < mics_; ++m) {
            const auto set = std::llround(take.mics[m].delay_ms * rate / 1000.0);
            const auto start = at[n] - std::llround(kBefore_s * rate) - set;
            take.read(m, start - static_cast<std::int64_t>(2 * full.lead), x);
            const auto row = n * mics_ + m;
            std::copy(x.begin() + static_cast<std::ptrdiff_t>(full.lead), x.end(),
                      full.samples.begin() + static_cast<std::ptrdiff_t>(row * full.length));
            low_pass(x, rate);
            for (std::size_t i = 0; i < low.length; ++i)
                low.samples[row * low.length + i] =
                    x[std::min(x.size() - 1, 2 * full.lead - low.lead * step + i * step)];
        }
}

void StrokeSums::delay(std::size_t mic, double delay_ms) {
    for (const auto band : kBands) {
        auto& e = bands_[static_cast<std::size_t>(band)];
        const auto samples = std::clamp<std::ptrdiff_t>(std::lround(delay_ms * e.rate_hz / 1000.0), 0,
                                                        static_cast<std::ptrdiff_t>(e.lead));
        if (samples == e.delays[mic]) continue;
        e.delays[mic] = samples;
        cross_with(band, mic);
    }
}

void StrokeSums::cross_with(Band band, std::size_t mic) {
    const auto& e = bands_[static_cast<std::size_t>(band)];
    const auto sound = [&](std::size_t n, std::size_t m) {
        return &e.samples[(n * mics_ + m) * e.length + e.lead - static_cast<std::size_t>(e.delays[m])];
    };
    for (std::size_t n = 0; n < strokes_; ++n)
        for (std::size_t m = 0; m < mics_; ++m) {
            const float *x = sound(n, mic), *y = sound(n, m);
            float part[4]{};
            std::size_t i = 0;
            for (; i + 4 <= e.span; i += 4)
                for (std::size_t k = 0; k < 4; ++k) part[k] += x[i + k] * y[i + k];
            double sum = static_cast<double>(part[0] + part[1] + part[2] + part[3]);
            for (; i < e.span; ++i) sum += static_cast<double>(x[i]) * static_cast<double>(y[i]);
            const auto at = (static_cast<std::size_t>(band) * strokes_ + n) * mics_;
            cross_[(at + mic) * mics_ + m] = cross_[(at + m) * mics_ + mic] = sum;
        }
}

} // namespace kitfold::dsp
