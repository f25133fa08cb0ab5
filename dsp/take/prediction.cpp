#include "take/prediction.h"
#include "core/vector_clones.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

namespace {

constexpr std::size_t kLags = 16; // side by side

/// sum[l] += x[n] x[n - first - l] for n of 0..count
KITFOLD_VECTOR_CLONES void add_lags(const double* x, std::ptrdiff_t count, std::ptrdiff_t first,
                                    double* __restrict sum) {
    constexpr auto kCount = static_cast<std::ptrdiff_t>(kLags);
    double r[kLags]{}; // the furthest lag first, as x runs
    for (std::ptrdiff_t n = 0; n < count; ++n) {
        const double* past = x + n - first - (kCount - 1);
        for (std::ptrdiff_t l = 0; l < kCount; ++l) r[l] += x[n] * past[l];
    }
    for (std::size_t l = 0; l < kLags; ++l) sum[kLags - 1 - l] = r[l];
}

} // namespace

std::vector<double> autocorrelation(std::span<const float> x, std::size_t order) {
    const std::size_t lags = (order + kLags) / kLags * kLags;
    std::vector<double> r(lags), padded(lags + x.size());
    std::copy(x.begin(), x.end(), padded.begin() + static_cast<std::ptrdiff_t>(lags));
    for (std::size_t first = 0; first < lags; first += kLags)
        add_lags(padded.data() + lags, std::ssize(x), static_cast<std::ptrdiff_t>(first), &r[first]);
    r.resize(order + 1);
    return r;
}

std::vector<double> error_filter(std::span<const double> given) {
    // -60 dB of white noise and a lag window, so that a sound of pure tones has a filter at all (from memory:
    // Markel and Gray, Linear Prediction of Speech)
    constexpr double kFloor = 1e-6, kBroaden = 0.126;
    std::vector<double> r(given.begin(), given.end());
    for (std::size_t i = 1; i < r.size(); ++i) {
        const double x = kBroaden * static_cast<double>(i) / static_cast<double>(r.size() - 1);
        r[i] *= std::exp(-0.5 * x * x);
    }
    std::vector<double> c(r.size());
    c[0] = 1.0;
    double error = r[0] * (1.0 + kFloor);
    for (std::size_t m = 1; m < r.size() && error > 0.0; ++m) {
        double sum = 0.0;
        for (std::size_t i = 0; i < m; ++i) sum += c[i] * r[m - i];
        const double reflection = -sum / error;
        std::vector<double> next = c;
        for (std::size_t i = 1; i <= m; ++i) next[i] = c[i] + reflection * c[m - i];
        c = std::move(next);
        error *= 1.0 - reflection * reflection;
    }
    return c;
}

} // namespace kitfold::dsp
