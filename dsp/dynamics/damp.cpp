#include "dynamics/damp.h"
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
    // Answer of the resonator to exp((-alpha + i omega) t), and of its mirror image.
    const double gap = d.width - d.alpha;
    const Complex near = d.feed / (1.0 - std::exp(-gap * t));
    const Complex far = d.feed / (1.0 - std::exp(Complex(-gap, -2.0 * omega) * t));
    const Complex a = 0.5 * (near + far), b = Complex(0.0, 0.5) * (near - far);
    const double det = a.real() * b.imag() - b.real() * a.imag();
    d.take_re = b.imag() / det, d.take_im = a.imag() / det;

    const double step_s = static_cast<double>(hop) * t;
    const Complex slow = std::exp(Complex(-d.width, omega) * step_s);
    d.slow_re = slow.real(), d.slow_im = slow.imag();
    d.slow_feed = d.settle = -std::expm1(-gap * step_s);
    return d;
}

DampFollow DampFollow::ring(double rate_hz, std::size_t hop, const DampBandDesign& band) noexcept {
    const double step_s = static_cast<double>(hop) / rate_hz;
    const auto power = [step_s](double alpha) { return std::exp(-2.0 * alpha * step_s); };
    DampFollow f;
    f.slowest = power(0.5 * band.alpha), f.fastest = power(1.15 * band.alpha);
    f.gain = power(band.extra);
    f.margin = band.extra >= 0.0 ? 4.0 : 1.0; // noise must not be opened up
    f.window = (0.02 + 5.0 / band.width) / step_s;
    f.surplus = 1.0;
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
