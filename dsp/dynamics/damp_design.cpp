#include "dynamics/damp_design.h"
#include <complex>
#include <numbers>

namespace kitfold::dsp {

DampBandDesign DampBandDesign::make(double rate_hz, std::size_t hop, const RingBand& band, double amount,
                                    double tail_alpha) noexcept {
    DampBandDesign d;
    d.used = amount != 0.0 && band.ring_ms != band.open_ring_ms && band.hz < 0.45 * rate_hz;
    const double t = 1.0 / rate_hz, omega = 2.0 * std::numbers::pi * std::min(band.hz, 0.45 * rate_hz);
    d.alpha = decay_rate(band.open_ring_ms);
    const double wanted = decay_rate(band.open_ring_ms * std::pow(band.ring_ms / band.open_ring_ms, amount));
    d.extra = d.used ? wanted - d.alpha : 0.0;
    if (d.extra > 0.0) d.extra = std::max(0.0, d.extra - tail_alpha);
    // A band that is narrower than the ring it is to leave would itself ring longer.
    d.width = std::max(omega / (2.0 * band.q), 1.25 * std::max(d.alpha, wanted));

    using Complex = std::complex<double>;
    const Complex pole = std::exp(Complex(-d.width, omega) * t);
    d.pole_re = pole.real(), d.pole_im = pole.imag(), d.feed = -std::expm1(-d.width * t);
    d.omega = omega;

    const double hop_s = static_cast<double>(hop) * t;
    const Complex turn = std::exp(Complex(-d.alpha, omega) * hop_s);
    d.turn_re = turn.real(), d.turn_im = turn.imag();
    d.settle = -std::expm1(-(d.width - d.alpha) * hop_s);
    return d;
}

namespace {

using Matrix = std::array<std::array<double, DampCoupling::kSize>, DampCoupling::kSize>;

/// Resonator states (rows) that rings of phasor 1 and i (columns) lead to. Unused bands have zeros.
Matrix answers(double rate_hz, const std::array<DampBandDesign, kRingBands>& bands) noexcept {
    using Complex = std::complex<double>;
    Matrix m{};
    for (std::size_t b = 0; b < kRingBands; ++b)
        for (std::size_t k = 0; k < kRingBands; ++k) {
            if (!bands[b].used || !bands[k].used) continue;
            // x = Re(c exp(s t)) holds exp(s t) and its mirror image.
            const Complex pole(-bands[b].width, bands[b].omega), s(-bands[k].alpha, bands[k].omega);
            const Complex near = 0.5 * bands[b].feed / (1.0 - std::exp((pole - s) / rate_hz));
            const Complex far = 0.5 * bands[b].feed / (1.0 - std::exp((pole - std::conj(s)) / rate_hz));
            m[2 * b][2 * k] = near.real() + far.real(), m[2 * b][2 * k + 1] = far.imag() - near.imag();
            m[2 * b + 1][2 * k] = near.imag() + far.imag(),
                             m[2 * b + 1][2 * k + 1] = near.real() - far.real();
        }
    return m;
}

} // namespace

DampCoupling DampCoupling::make(double rate_hz,
                                const std::array<DampBandDesign, kRingBands>& bands) noexcept {
    constexpr double kTrace = 1e-4;
    const auto m = answers(rate_hz, bands);
    Matrix square{};
    DampCoupling out;
    auto& x = out.from; // (m' m + trace) x = m', by elimination: positive definite, so no pivots
    for (std::size_t r = 0; r < kSize; ++r) {
        for (std::size_t c = 0; c < kSize; ++c) {
            x[r][c] = m[c][r];
            for (std::size_t i = 0; i < kSize; ++i) square[r][c] += m[i][r] * m[i][c];
        }
        square[r][r] += kTrace;
    }
    for (std::size_t p = 0; p < kSize; ++p)
        for (std::size_t r = 0; r < kSize; ++r) {
            if (r == p || square[r][p] == 0.0) continue;
            const double factor = square[r][p] / square[p][p];
            for (std::size_t c = p; c < kSize; ++c) square[r][c] -= factor * square[p][c];
            for (std::size_t c = 0; c < kSize; ++c) x[r][c] -= factor * x[p][c];
        }
    for (std::size_t r = 0; r < kSize; ++r)
        for (std::size_t c = 0; c < kSize; ++c) x[r][c] *= bands[c / 2].feed / square[r][r];
    return out;
}

DampFollow DampFollow::ring(double rate_hz, std::size_t hop, const DampBandDesign& band) noexcept {
    const double step_s = static_cast<double>(hop) / rate_hz;
    const auto power = [step_s](double alpha) { return std::exp(-2.0 * alpha * step_s); };
    DampFollow f;
    f.slowest = power(0.5 * band.alpha), f.fastest = power(1.15 * band.alpha);
    f.gain = std::exp(-band.extra * step_s);
    f.margin = band.extra >= 0.0 ? 4.0 : 1.0; // noise must not be opened up
    f.window = (0.01 + 3.0 / (band.width - band.alpha)) / step_s;
    f.surplus = 2.0;
    return f;
}

DampFollow DampFollow::broad(double rate_hz, std::size_t hop, double db_per_s, double slowest_db_per_s,
                             double fastest_db_per_s) noexcept {
    const double step_s = static_cast<double>(hop) / rate_hz;
    const auto power = [step_s](double fall_db_per_s) {
        return std::pow(10.0, -0.1 * fall_db_per_s * step_s);
    };
    DampFollow f;
    f.slowest = power(slowest_db_per_s), f.fastest = power(fastest_db_per_s), f.gain = power(db_per_s);
    f.margin = 4.0, f.window = 0.04 / step_s, f.surplus = 1.6;
    return f;
}

} // namespace kitfold::dsp
