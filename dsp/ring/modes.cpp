#include "ring/modes.h"
#include "core/linear.h"
#include "core/units.h"
#include "core/windows.h"
#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <utility>

namespace kitfold::dsp {
namespace {

using Complex = std::complex<double>;
constexpr double kTwoPi = 2.0 * std::numbers::pi;
constexpr double kStopDb = 60.0;            // what folds back lies under the noise of a drum's decay
constexpr double kTransitionHz = 120.0;     // a filter of 30 ms: shorter than the ring it is to show
constexpr std::size_t kLeastPoints = 14;    // fewer band samples cannot carry a fit of a few modes
constexpr std::size_t kMostRows = 32;       // aperture of the subspace: 0.12 s at 340 points a second
constexpr std::size_t kSpreadRows = 24;     // fewer: a stroke is tried with some forty glides
constexpr double kSpreadFloor = 1e-6;       // -60 dB: below lies noise
constexpr double kLongestDecayPerS = 690.0; // T60 of 10 ms: below that it is a click, not a ring
constexpr double kLeastDecayPerS = 0.35;    // T60 of 20 s: steady, so hum and not a drum

/// Band-pass at `centre_hz` with one-sided response (Kaiser window design, Oppenheim and Schafer, ch. 7).
struct Band {
    std::vector<Complex> taps;
    std::size_t step = 1; // decimation
    double rate_hz, centre_hz;

    Band(double rate, double centre, double half_width_hz, std::size_t samples)
        : rate_hz(rate), centre_hz(centre) {
        // A short stretch gets a shorter, wider filter: no more than a quarter of it may be lost.
        const auto wanted = kaiser_length(kStopDb, kTwoPi * kTransitionHz / rate_hz);
        const auto length = std::max<std::size_t>(3, std::size_t(std::min(wanted, double(samples) / 4.0)));
        const double transition = kaiser_length(kStopDb, double(length)) * rate_hz / kTwoPi;
        const double stop_hz = half_width_hz + transition, corner_hz = half_width_hz + transition / 2.0;
        step = std::max<std::size_t>(1, std::size_t(rate_hz / (2.0 * stop_hz)));
        const double middle = double(length - 1) / 2.0;
        for (std::size_t m = 0; m < length; ++m) {
            const double x = double(m) - middle, r = x / (middle + 1e-12);
            const double tap = ideal_low_pass(corner_hz / rate_hz, x) * kaiser(kaiser_beta(kStopDb), r);
            taps.push_back(std::polar(tap, kTwoPi * centre_hz / rate_hz * x));
        }
    }

    /// Every step-th output whose taps lie wholly inside the stretch, so that a mode stays one exponential.
    [[nodiscard]] std::vector<Complex> run(std::span<const float> x) const {
        std::vector<Complex> out;
        for (std::size_t at = taps.size() - 1; at < x.size(); at += step) {
            double re = 0.0, im = 0.0;
            for (std::size_t m = 0; m < taps.size(); ++m) {
                const double v = x[at - m];
                re += taps[m].real() * v, im += taps[m].imag() * v;
            }
            out.emplace_back(re, im);
        }
        return out;
    }

    /// What the band does to a mode with the pole `p` per input sample: y[k] = response * a * (p^step)^k.
    [[nodiscard]] Complex response(Complex p) const {
        Complex sum = 0.0, power = 1.0;
        for (auto m = taps.size(); m-- > 0; power *= p) sum += taps[m] * power;
        return sum;
    }
};

/// How many points are above the noise: what lies after the decay teaches nothing.
std::size_t useful_points(const std::vector<Complex>& y) {
    const auto n = y.size(), part = std::max<std::size_t>(1, n / 7);
    const auto mean = [&](std::size_t from, std::size_t count) {
        double sum = 0.0;
        for (auto i = from; i < from + count; ++i) sum += std::norm(y[i]) / double(count);
        return sum;
    };
    const double floor = mean(n - part, part);
    if (n < 3 * part || mean(n - 2 * part, part) > 1.6 * floor) return n; // still falling
    constexpr std::size_t width = 5;
    for (std::size_t i = 0; i + width <= n; ++i)
        if (mean(i, width) < 2.0 * floor) return std::max(std::min(n, 2 * kLeastPoints), i + width);
    return n;
}

/// The Hankel matrix of y times its adjoint: the lower triangle, which is all that the solvers read.
ComplexMatrix covariance(const std::vector<Complex>& y, std::size_t most_rows) {
    const auto n = y.size(), rows = std::min(most_rows, n / 2), columns = n - rows + 1;
    ComplexMatrix product(rows, rows);
    for (std::size_t c = 0; c < rows; ++c)
        for (std::size_t r = c; r < rows; ++r) {
            double re = 0.0, im = 0.0;
            for (std::size_t k = 0; k < columns; ++k) {
                const auto a = y[r + k], b = y[c + k];
                re += a.real() * b.real() + a.imag() * b.imag();
                im += a.imag() * b.real() - a.real() * b.imag();
            }
            product(r, c) = {re, im};
        }
    return product;
}

/// Poles of y by ESPRIT (covariance of the Hankel matrix, least-squares rotation).
std::vector<Complex> poles_of(const std::vector<Complex>& y) {
    const auto [values, vectors] = hermitian_parts(covariance(y, kMostRows));
    const auto rows = values.size();
    if (rows == 0) return {};
    const double noise = values[rows / 4], largest = values[rows - 1];
    std::size_t order = 0;
    while (order < rows / 3) {
        const double value = values[rows - 1 - order];
        if (value < 20.0 * noise || value < 1e-8 * largest) break;
        ++order;
    }
    if (order == 0) return {};
    ComplexMatrix upper(rows - 1, order), lower(rows - 1, order);
    for (std::size_t c = 0; c < order; ++c)
        for (std::size_t r = 0; r + 1 < rows; ++r) {
            upper(r, c) = vectors(r, rows - order + c);
            lower(r, c) = vectors(r + 1, rows - order + c);
        }
    return eigenvalues(least_squares(std::move(upper), std::move(lower)));
}

/// Amplitudes of the poles at the first point, and the rms of what they leave unexplained.
std::pair<std::vector<Complex>, double> amplitudes_of(const std::vector<Complex>& poles,
                                                      const std::vector<Complex>& y) {
    ComplexMatrix powers(y.size(), poles.size()), values(y.size(), 1);
    values.values = y;
    for (std::size_t p = 0; p < poles.size(); ++p) {
        Complex power = 1.0;
        for (std::size_t k = 0; k < y.size(); ++k, power *= poles[p]) powers(k, p) = power;
    }
    auto found = least_squares(powers, std::move(values)).values;
    double rest = 0.0;
    for (std::size_t k = 0; k < y.size(); ++k) {
        Complex sum = -y[k];
        for (std::size_t p = 0; p < poles.size(); ++p) sum += powers(k, p) * found[p];
        rest += std::norm(sum);
    }
    return {std::move(found), std::sqrt(rest / double(y.size()))};
}

} // namespace

std::vector<RingMode> find_modes(std::span<const float> samples, double rate_hz, double centre_hz,
                                 double half_width_hz) {
    std::vector<RingMode> modes;
    if (samples.size() < 64) return modes;
    const Band band(rate_hz, centre_hz, half_width_hz, samples.size());
    auto y = band.run(samples);
    if (y.size() < kLeastPoints) return modes;
    y.resize(useful_points(y));
    const auto poles = poles_of(y);
    if (poles.empty()) return modes;
    const auto [amplitudes, rest] = amplitudes_of(poles, y);
    const double points_per_s = rate_hz / double(band.step), seconds = double(y.size()) / points_per_s;
    const Complex turn = std::polar(1.0, -kTwoPi * centre_hz / points_per_s);
    for (std::size_t i = 0; i < poles.size(); ++i) {
        const double decay = -std::log(std::abs(poles[i])) * points_per_s;
        const double hz = centre_hz + std::arg(poles[i] * turn) / kTwoPi * points_per_s;
        if (!(decay > kLeastDecayPerS && decay < kLongestDecayPerS)) continue;
        if (!(hz > 0.0 && std::abs(hz - centre_hz) <= half_width_hz)) continue;
        const Complex pole = std::exp(Complex(-decay, kTwoPi * hz) / rate_hz);
        const double there = std::abs(amplitudes[i]); // in the band; a real cosine is half of it
        const double to_noise_db = db_from_gain(there / (rest + 1e-30));
        const double faded_db = 20.0 / std::log(10.0) * decay * seconds;
        modes.push_back({hz, decay, 2.0 * there / std::abs(band.response(pole)),
                         std::min(to_noise_db, faded_db), to_noise_db});
    }
    std::sort(modes.begin(), modes.end(),
              [](const RingMode& a, const RingMode& b) { return a.amplitude > b.amplitude; });
    return modes;
}

double mode_spread(std::span<const float> samples, double rate_hz, double centre_hz, double half_width_hz) {
    if (samples.size() < 64) return 0.0;
    const Band band(rate_hz, centre_hz, half_width_hz, samples.size());
    const auto y = band.run(samples);
    if (y.size() < kLeastPoints) return 0.0;
    auto matrix = covariance(y, kSpreadRows);
    const double total = matrix.trace().real();
    if (!(total > 0.0)) return 0.0;
    for (auto& v : matrix.values) v /= total;
    matrix.add_to_diagonal(kSpreadFloor);
    return log_determinant(std::move(matrix)); // small when few directions hold everything
}

} // namespace kitfold::dsp
