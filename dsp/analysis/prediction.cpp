#include "analysis/prediction.h"
#include <cmath>

namespace kitfold::dsp {

std::vector<double> autocorrelation(std::span<const float> x, std::size_t order) {
    std::vector<double> r(order + 1);
    for (std::size_t lag = 0; lag <= order; ++lag)
        for (std::size_t n = lag; n < x.size(); ++n) r[lag] += static_cast<double>(x[n]) * x[n - lag];
    return r;
}

std::vector<double> error_filter(std::span<const double> given) {
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

std::vector<std::complex<float>> error_filter_spectrum(std::span<const double> r, const RealFft& fft) {
    std::vector<float> taps(fft.size());
    const auto c = error_filter(r);
    for (std::size_t i = 0; i < c.size(); ++i) taps[i] = static_cast<float>(c[i]);
    std::vector<std::complex<float>> out(fft.bins());
    fft.forward(taps, out);
    return out;
}

} // namespace kitfold::dsp
