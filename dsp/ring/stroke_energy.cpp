#include "ring/stroke_energy.h"
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>

namespace kitfold::dsp {
namespace {

constexpr double kBeforeMs = 10.0, kQuietMs = 30.0;
constexpr double kEarlierMs = 15.0, kLaterMs = 30.0; // the loudest block re where the hit was found

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

StrokeEnergy stroke_energy(std::span<const float> samples, std::size_t onset, double rate_hz) {
    std::vector<double> blocks;
    for (std::size_t i = 0;; ++i) {
        const auto from = std::size_t(std::llround(double(i) * kCurveStepMs * rate_hz / 1000.0)),
                   to = std::size_t(std::llround(double(i + 1) * kCurveStepMs * rate_hz / 1000.0));
        if (to > samples.size()) break;
        double sum = 0.0;
        for (const float x : samples.subspan(from, to - from)) sum += double(x) * double(x);
        blocks.push_back(sum / double(to - from));
    }
    const auto found = double(onset) * 1000.0 / rate_hz;
    const auto at = [&](double ms) {
        const auto block = std::llround(ms / kCurveStepMs);
        return blocks.begin() + std::clamp<std::ptrdiff_t>(block, 0, std::ssize(blocks));
    };
    const auto loudest = std::max_element(at(found - kEarlierMs), at(found + kLaterMs));
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

std::vector<float> filtered(std::span<const float> x, const Section& first, const Section& second) {
    SectionCoefficients<double> one, two;
    one.set(0, first), two.set(0, second);
    SectionInLoop<double> a(one, {}), b(two, {});
    std::vector<float> out;
    out.reserve(x.size());
    for (const float v : x) out.push_back(float(b.tick(a.tick(double(v)))));
    return out;
}

} // namespace kitfold::dsp
