#include "pairs/first_wave.h"
#include "core/windows.h"
#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <vector>

namespace kitfold::dsp {

namespace {

constexpr std::ptrdiff_t kFiner = 4, kReach = 12; // sinc of 24 taps
constexpr double kWaveMs = 8.0;                   // half a period at 60 Hz, where strokes are high-passed
constexpr double kSignMs = 0.18;                  // half a period at 2.8 kHz
// An arrival is where a twentieth of the first peak is reached, late enough to stand over noise and early
// enough to lie before the first bend: mean over nine levels 2 dB about it, so that no ripple decides.
constexpr double kShare = 0.05, kFinest = 0.04, kCoarsest = 0.0625;
constexpr int kShares = 9;
constexpr double kLeast = 0.0354, kMost = 0.0707; // 3 dB about it, to see whether the wave rises straight

using Taps = std::array<std::array<float, 2 * kReach>, kFiner>;

Taps make_taps() {
    Taps taps{};
    for (std::ptrdiff_t phase = 0; phase < kFiner; ++phase)
        for (std::ptrdiff_t n = 0; n < 2 * kReach; ++n) {
            const double t = static_cast<double>(n - kReach + 1) - static_cast<double>(phase) / kFiner;
            taps[phase][n] = static_cast<float>(windowed_sinc(t, kReach));
        }
    return taps;
}

/// Samples `first`.. of x at four times the rate.
std::vector<float> finer(std::span<const float> x, std::ptrdiff_t first, std::ptrdiff_t count) {
    static const Taps taps = make_taps();
    std::vector<float> out(static_cast<std::size_t>(count * kFiner));
    for (std::ptrdiff_t i = 0; i < count; ++i)
        for (std::ptrdiff_t phase = 0; phase < kFiner; ++phase) {
            const auto start = first + i - kReach + 1;
            float sum = 0.0f;
            if (start >= 0 && start + 2 * kReach <= std::ssize(x))
                for (std::ptrdiff_t n = 0; n < 2 * kReach; ++n) sum += taps[phase][n] * x[start + n];
            else
                sum = x[first + i]; // at the very ends of an excerpt nothing is read to a fraction
            out[i * kFiner + phase] = sum;
        }
    return out;
}

/// The sound at four times the rate, and its search range there.
struct Finer {
    std::vector<float> x;
    std::ptrdiff_t from, to;

    [[nodiscard]] std::ptrdiff_t first_over(double level) const {
        auto i = from;
        while (i < to && std::abs(x[i]) < level) ++i;
        return i;
    }
    [[nodiscard]] double crossing(double level) const {
        const auto i = first_over(level);
        if (i == from) return static_cast<double>(i);
        const double before = std::abs(x[i - 1]), rise = std::abs(x[i]) - before;
        return static_cast<double>(i - 1) +
               (rise > 0.0 ? std::clamp((level - before) / rise, 0.0, 1.0) : 1.0);
    }
    [[nodiscard]] double peak(std::ptrdiff_t end) const {
        double p = 0.0;
        for (auto i = from; i < std::min(end, std::ssize(x)); ++i)
            p = std::max(p, static_cast<double>(std::abs(x[i])));
        return p;
    }
    [[nodiscard]] int sign(double level, std::ptrdiff_t count) const {
        double sum = 0.0;
        const auto i = first_over(level);
        for (auto k = i; k < std::min(i + count, std::ssize(x)); ++k) sum += static_cast<double>(x[k]);
        return sum > 0.0 ? 1 : sum < 0.0 ? -1 : 0;
    }
};

} // namespace

FirstWave first_wave(std::span<const float> x, double rate_hz, double from, double to) {
    const double fine_ms = rate_hz / 1000.0 * static_cast<double>(kFiner);
    const auto first = static_cast<std::ptrdiff_t>(std::ceil(from)), last = static_cast<std::ptrdiff_t>(to);
    const auto begin = std::max<std::ptrdiff_t>(first - 1, 0);
    const auto end =
        std::min(std::ssize(x), last + static_cast<std::ptrdiff_t>(kWaveMs * rate_hz / 1000.0) + 2);
    const Finer f{finer(x, begin, end - begin), (first - begin) * kFiner, (last - begin) * kFiner};
    FirstWave out;
    auto stop = std::ssize(f.x);
    for (int round = 0; round < 6; ++round) { // from all of it down to the 8 ms from the arrival on
        out.peak = f.peak(stop);
        stop = f.first_over(kShare * out.peak) + static_cast<std::ptrdiff_t>(kWaveMs * fine_ms);
    }
    const auto place = [&](double fine) {
        return static_cast<double>(begin) + fine / static_cast<double>(kFiner);
    };
    out.at_3 = place(f.crossing(kLeast * out.peak)), out.at_10 = place(f.crossing(kMost * out.peak));
    for (int n = 0; n < kShares; ++n)
        out.at += place(f.crossing(kFinest * std::pow(kCoarsest / kFinest, n / (kShares - 1.0)) * out.peak));
    out.at /= kShares;
    const auto half_wave = std::max<std::ptrdiff_t>(2, std::lround(kSignMs * fine_ms));
    out.sign = f.sign(kShare * out.peak, half_wave), out.sign_3 = f.sign(kLeast * out.peak, half_wave);
    out.on_bound = out.at_3 <= static_cast<double>(first + 1) || f.first_over(kShare * out.peak) >= f.to;
    return out;
}

} // namespace kitfold::dsp
