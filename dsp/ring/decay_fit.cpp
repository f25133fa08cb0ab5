#include "ring/decay_fit.h"
#include "core/units.h"
#include <algorithm>
#include <cmath>
#include <numeric>

namespace kitfold::dsp {
namespace {

constexpr double kCutAboveFloor = 3.16; // 5 dB: where the decay is left before the noise takes over
constexpr double kFloorMarginDb = 10.0; // ISO 3382-1, 5.3.3: noise this far below the end of the fit
constexpr double kTailMarginDb = 3.0;   // below this, more than half of the curve would be the assumed tail
// EDT, T10 and T20 of ISO 3382-1.
constexpr double kEarlyToDb = -10.0, kFitFromDb = -5.0, kBodyToDb = -15.0, kFitToDb = -25.0;
constexpr double kSmoothMs = 10.0; // half a period of 50 Hz, the lowest kick: energy has twice its frequency

double db(double power) { return db_from_power(power, kSilentDb); }

struct Line {
    double at_zero = 0.0, slope = 0.0;
};

/// Least squares over values[begin, end) against their index.
Line fit_line(std::span<const double> values, std::size_t begin, std::size_t end) {
    const auto n = double(end - begin);
    double mean_x = 0.0, mean_y = 0.0, xx = 0.0, xy = 0.0;
    for (auto i = begin; i < end; ++i) mean_x += double(i) / n, mean_y += values[i] / n;
    for (auto i = begin; i < end; ++i) {
        const double x = double(i) - mean_x, y = values[i] - mean_y;
        xx += x * x, xy += x * y;
    }
    const double slope = xx > 0.0 ? xy / xx : 0.0;
    return {mean_y - slope * mean_x, slope};
}

std::vector<double> smoothed(std::span<const double> energy, std::size_t width) {
    const auto half = std::max<std::size_t>(1, width / 2);
    std::vector<double> sums(energy.size() + 1, 0.0), out(energy.size());
    for (std::size_t i = 0; i < energy.size(); ++i) sums[i + 1] = sums[i] + energy[i];
    for (std::size_t i = 0; i < energy.size(); ++i) {
        const auto from = i > half ? i - half : 0, to = std::min(energy.size(), i + half + 1);
        out[i] = (sums[to] - sums[from]) / double(to - from);
    }
    return out;
}

/// The decay until the noise, with the noise taken out and the tail that was cut off put back.
struct Truncated {
    std::vector<double> curve_db;
    double level_range_db = 0.0; // fall of the level until the cut
};

Truncated integrate(std::span<const double> energy, double block_ms, double floor) {
    Truncated result;
    if (energy.size() < 4) return result;
    const auto smooth = smoothed(energy, std::size_t(std::lround(kSmoothMs / block_ms)));
    std::size_t cut = energy.size();
    for (std::size_t i = 0; i < smooth.size() && cut == energy.size(); ++i)
        if (smooth[i] < kCutAboveFloor * floor) cut = i;
    if (cut < 4) return result;
    std::vector<double> level(cut);
    std::transform(smooth.begin(), smooth.begin() + std::ptrdiff_t(cut), level.begin(), db);
    std::size_t from = cut - 1; // the last 10 dB give the slope of the tail
    while (from > 0 && level[from - 1] < level[cut - 1] + 10.0) --from;
    from = std::min(from, cut - 3);
    const Line tail = fit_line(level, from, cut);
    double total = 0.0;
    if (tail.slope < -1e-6) {
        const double ratio = power_from_db(tail.slope);
        const double last = power_from_db(tail.at_zero + tail.slope * double(cut - 1)) - floor;
        total = std::max(0.0, last) * ratio / (1.0 - ratio);
    }
    result.curve_db.resize(cut);
    for (auto i = cut; i-- > 0;) result.curve_db[i] = total += energy[i] - floor;
    const double start = result.curve_db.front();
    for (auto& value : result.curve_db) value = start > 0.0 ? db(value / start) : -200.0;
    result.level_range_db = *std::max_element(level.begin(), level.end()) - level.back();
    return result;
}

} // namespace

std::vector<double> backward_integral_db(std::span<const double> energy, double block_ms, double floor) {
    return integrate(energy, block_ms, floor).curve_db;
}

DecayFit fit_decay(std::span<const double> energy, double block_ms, double floor, double others) {
    DecayFit fit;
    const auto decay = integrate(energy, block_ms, floor);
    const auto& curve = decay.curve_db;
    if (curve.size() < 4) return fit;
    fit.range_db = decay.level_range_db;
    const double noise = std::max(floor, others), loudest = *std::max_element(energy.begin(), energy.end());
    const double lowest = std::max({curve.back() + kTailMarginDb, kTailMarginDb - decay.level_range_db,
                                    noise > 0.0 ? db(noise / loudest) + kFloorMarginDb : kSilentDb});
    const auto below = [&](double limit_db) {
        const auto at = std::find_if(curve.begin(), curve.end(), [=](double v) { return v < limit_db; });
        return std::size_t(at - curve.begin());
    };
    const auto line = [&](double from_db, double to_db) {
        const auto begin = from_db < 0.0 ? below(from_db) : 0, end = below(to_db);
        return to_db < lowest || end < begin + 3 ? Line{} : fit_line(curve, begin, end);
    };
    if (const auto early = line(0.0, kEarlyToDb); early.slope < 0.0)
        fit.ring_ms = -60.0 / early.slope * block_ms;
    if (const auto body = line(kFitFromDb, kBodyToDb); body.slope < 0.0)
        fit.body_ms = -60.0 / body.slope * block_ms;
    if (const auto late = line(kFitFromDb, kFitToDb); late.slope < 0.0)
        fit.late_ms = -60.0 / late.slope * block_ms;
    return fit;
}

} // namespace kitfold::dsp
