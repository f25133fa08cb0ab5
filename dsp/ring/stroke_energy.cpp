#include "ring/stroke_energy.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <limits>
#include <numbers>
#include <numeric>

namespace kitfold::dsp {
namespace {

constexpr double kSigmas = 4.0; // -70 dB
// One period and three of the energy of 50 Hz, the lowest kick (kSmoothMs in decay_fit.cpp).
constexpr double kBeforeMs = 10.0, kQuietMs = 30.0;
// The loudest block re where the hit was found, which may be 10 ms off.
constexpr double kEarlierMs = 15.0, kLaterMs = 30.0;

double mean(std::span<const double> x) {
    return x.empty() ? 0.0 : std::accumulate(x.begin(), x.end(), 0.0) / double(x.size());
}

/// Least mean of `ms` in a row; infinite when there are not so many.
double quietest(std::span<const double> blocks, double ms) {
    const auto width = std::size_t(ms / kCurveStepMs);
    double least = std::numeric_limits<double>::infinity();
    for (std::size_t i = 0; i + width <= blocks.size(); ++i)
        least = std::min(least, mean(blocks.subspan(i, width)));
    return least;
}

} // namespace

std::vector<double> energy_blocks(std::span<const float> samples, double rate_hz) {
    std::vector<double> blocks;
    for (std::size_t i = 0;; ++i) {
        const auto from = std::size_t(std::llround(double(i) * kCurveStepMs * rate_hz / 1000.0)),
                   to = std::size_t(std::llround(double(i + 1) * kCurveStepMs * rate_hz / 1000.0));
        if (to > samples.size()) return blocks;
        double sum = 0.0;
        for (const float x : samples.subspan(from, to - from)) sum += double(x) * double(x);
        blocks.push_back(sum / double(to - from));
    }
}

std::vector<double> band_blocks(std::span<const float> samples, double rate_hz, double hz,
                                double half_width_hz) {
    // power response 2^-(f / half width)²
    const double sigma = std::sqrt(std::numbers::ln2) / (2.0 * std::numbers::pi * half_width_hz) * rate_hz;
    const auto reach = std::ptrdiff_t(std::ceil(kSigmas * sigma));
    std::vector<std::complex<double>> taps;
    double sum = 0.0;
    for (auto k = -reach; k <= reach; ++k) {
        const double weight = std::exp(-0.5 * double(k) * double(k) / (sigma * sigma));
        taps.push_back(std::polar(weight, -2.0 * std::numbers::pi * hz / rate_hz * double(k)));
        sum += weight;
    }
    std::vector<double> blocks;
    const auto size = std::ssize(samples);
    for (std::size_t i = 0;; ++i) {
        const auto at = std::ptrdiff_t((double(i) + 0.5) * kCurveStepMs * rate_hz / 1000.0);
        if (at + reach >= size) return blocks; // an end that is cut off would be no decay
        double re = 0.0, im = 0.0;
        for (auto k = std::max(-reach, -at); k <= reach; ++k) {
            const double x = double(samples[std::size_t(at + k)]);
            const auto& tap = taps[std::size_t(k + reach)];
            re += x * tap.real(), im += x * tap.imag();
        }
        blocks.push_back(2.0 * (re * re + im * im) / (sum * sum)); // a sine's amplitude A: A² / 2
    }
}

StrokeEnergy stroke_energy(std::span<const double> blocks, double onset_s) {
    const auto at = [&](double ms) {
        const auto block = std::llround(ms / kCurveStepMs);
        return blocks.begin() + std::clamp<std::ptrdiff_t>(block, 0, std::ssize(blocks));
    };
    const double found_ms = 1000.0 * onset_s;
    const auto loudest = std::max_element(at(found_ms - kEarlierMs), at(found_ms + kLaterMs));
    StrokeEnergy out;
    out.before = quietest({blocks.begin(), loudest}, kBeforeMs);
    out.first = std::size_t(loudest - blocks.begin());
    out.blocks.assign(loudest, blocks.end());
    out.quietest = std::min(out.before, quietest(out.blocks, kQuietMs));
    return out;
}

std::size_t until_next_event(const StrokeEnergy& stroke, double rate_hz) {
    constexpr std::size_t kWidth = 10, kAhead = 8; // blocks: averages of 20 ms, 16 ms apart
    const std::span blocks(stroke.blocks);
    auto end = blocks.size();
    for (std::size_t i = 15; i + kAhead + kWidth < blocks.size() && end == blocks.size(); ++i)
        if (mean(blocks.subspan(i + kAhead, kWidth)) > 2.5 * mean(blocks.subspan(i, kWidth)))
            end = i + kAhead;
    return std::size_t(double(stroke.first + end) * kCurveStepMs * rate_hz / 1000.0);
}

double noise_under(const StrokeEnergy& stroke, std::span<const StrokeEnergy> strokes) {
    const std::span energy(stroke.blocks);
    const auto eighth = energy.size() / 8;
    if (eighth < 4) return 0.0;
    const double last = mean(energy.last(eighth)), before = mean(energy.last(2 * eighth).first(eighth));
    if (before < 1.4 * last) return last; // at rest: 1.5 dB in an eighth of the stretch
    double common = last;
    for (const auto& s : strokes) common = std::min(common, s.quietest);
    return last > 4.0 * common ? 0.0 : common; // not reached: nothing to take out
}

std::vector<DecayFit> fit_strokes(std::span<const StrokeEnergy> strokes) {
    std::vector<DecayFit> out;
    for (const auto& stroke : strokes)
        out.push_back(fit_decay(stroke.blocks, kCurveStepMs, noise_under(stroke, strokes), stroke.before));
    return out;
}

} // namespace kitfold::dsp
