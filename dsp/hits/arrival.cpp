#include "hits/arrival.h"
#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

namespace kitfold::dsp {

namespace {

constexpr double kSettle_s = 0.040; // of the high-pass, ahead of what is looked at
constexpr double kBefore_s = 0.010; // kQuietFrom_s before the earliest wave, and a little
constexpr double kWave_s = 0.0136;  // three quarters of a period at 55 Hz: two peaks
constexpr double kGap_s = 0.001; // at each zero a wave of 60 Hz as high as kRisen is under kBegun for 0.9 ms
// Before the wave, which rises within the rest: a low snare's head answers its stick after 3 ms.
constexpr double kQuietFrom_s = 0.008, kQuietTo_s = 0.004;
constexpr float kRisen = 0.3f, kTooLoudBefore = 0.25f; // what rings on from before doesn't rise as far
constexpr float kBegun = 0.05f;    // over noise as a rule, and early enough to lie before the first bend
constexpr float kOverQuiet = 1.5f; // noise may peak somewhat higher than it just did

/// Size of each sample behind a first-order high-pass, which moves no beginning.
std::vector<float> sizes(const Take& take, std::size_t mic, double low_hz, std::int64_t first,
                         std::size_t count) {
    const auto settle = static_cast<std::size_t>(kSettle_s * take.rate_hz);
    std::vector<float> x(count + settle);
    take.read(mic, first - static_cast<std::int64_t>(settle), x);
    const float keep = static_cast<float>(std::exp(-2.0 * std::numbers::pi * low_hz / take.rate_hz));
    float in = x[0], out = 0.0f;
    for (auto& v : x) {
        out = keep * out + v - in;
        in = v;
        v = std::abs(out);
    }
    x.erase(x.begin(), x.begin() + static_cast<std::ptrdiff_t>(settle));
    return x;
}

float most(const std::vector<float>& x, std::ptrdiff_t first, std::ptrdiff_t last) {
    first = std::max<std::ptrdiff_t>(first, 0);
    return first < last ? *std::max_element(x.begin() + first, x.begin() + last) : 0.0f;
}

} // namespace

std::optional<double> first_arrival_s(const Take& take, std::size_t mic, double low_hz, double from_s,
                                      double to_s, double end_s) {
    const auto samples = [&](double s) {
        return static_cast<std::ptrdiff_t>(std::llround(s * take.rate_hz));
    };
    const auto first = samples(from_s - kBefore_s), from = samples(from_s) - first;
    const auto end = samples(std::min(to_s + kWave_s, end_s)) - first;
    if (end < from + 3) return std::nullopt;
    const auto x = sizes(take, mic, low_hz, first, static_cast<std::size_t>(end));
    const float peak = most(x, from, end);
    if (peak <= 0.0f || most(x, 0, from) > kTooLoudBefore * peak) return std::nullopt;
    auto at =
        std::find_if(x.begin() + from, x.end(), [&](float v) { return v >= kRisen * peak; }) - x.begin();
    const float least =
        std::max(kBegun * peak, kOverQuiet * most(x, at - samples(kQuietFrom_s),
                                                  std::max<std::ptrdiff_t>(at - samples(kQuietTo_s), 1)));
    auto begins = at;
    for (auto n = at; n >= 0 && begins - n <= samples(kGap_s); --n)
        if (x[static_cast<std::size_t>(n)] >= least) begins = n;
    return static_cast<double>(first + begins) / take.rate_hz;
}

} // namespace kitfold::dsp
