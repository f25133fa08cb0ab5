#include "trap_take.h"
#include <array>

namespace kitfold::test {

namespace {

// Abramowitz and Stegun table 9.5: zeros of the Bessel functions re the first one.
constexpr std::array kRatios{1.0, 1.593, 2.136, 2.295, 2.653, 2.917, 3.156, 3.500, 3.598, 4.059};
using Gains = std::array<double, kRatios.size()>;

struct Path {
    double delay_s, gain;
};

struct Strike {
    double time_s, level;
    Gains modes;
    std::vector<double> noise; // one value per sample at the take's rate
};

double sinc(double x) {
    return std::abs(x) < 1e-9 ? 1.0 : std::sin(std::numbers::pi * x) / (std::numbers::pi * x);
}

void add(std::vector<double>& out, const TrapSettings& s, const Strike& hit, const Gains& gains,
         const Path& path) {
    const double at = (hit.time_s + path.delay_s) * s.rate_hz;
    const auto first = static_cast<std::ptrdiff_t>(std::ceil(at));
    const auto last = std::min(first + static_cast<std::ptrdiff_t>(0.3 * s.rate_hz), std::ssize(out));
    for (std::size_t k = 0; k < kRatios.size(); ++k) {
        const double step = 2.0 * std::numbers::pi * s.drum_hz * kRatios[k] / s.rate_hz;
        const double decay = (6.0 + 3.0 * static_cast<double>(k)) / s.rate_hz;
        const double level = path.gain * hit.level * gains[k] * hit.modes[k];
        // One phasor per mode: exp(-decay t) (cos, sin) at the sample after the strike, then a rotation per
        // sample.
        const double t = static_cast<double>(first) - at;
        std::complex<double> phasor = std::polar(level * std::exp(-decay * t), step * t);
        const std::complex<double> turn = std::polar(std::exp(-decay), step);
        for (auto n = first; n < last; ++n, phasor *= turn) out[n] += phasor.imag();
    }
    constexpr std::ptrdiff_t kReach = 24;
    for (std::ptrdiff_t i = 0; i < std::ssize(hit.noise); ++i) {
        const double where = at + static_cast<double>(i);
        const auto centre = static_cast<std::ptrdiff_t>(std::lround(where));
        for (auto n = std::max<std::ptrdiff_t>(centre - kReach, 0);
             n < std::min(centre + kReach, std::ssize(out)); ++n) {
            const double x = static_cast<double>(n) - where;
            const double window =
                0.5 + 0.5 * std::cos(std::numbers::pi * x / static_cast<double>(kReach + 1));
            out[n] += path.gain * hit.noise[i] * sinc(x) * window;
        }
    }
}

void low_pass(std::vector<double>& x, double hz, double rate_hz) {
    const double step = 1.0 - std::exp(-2.0 * std::numbers::pi * hz / rate_hz);
    double y = 0.0;
    for (double& v : x) v = y += step * (v - y);
}

} // namespace

TrapTake make_trap(const TrapSettings& s) {
    std::mt19937 engine(s.seed);
    std::normal_distribution<double> normal;
    std::uniform_real_distribution<double> even(-1.0, 1.0);
    Gains in_a, in_b;
    for (std::size_t k = 0; k < kRatios.size(); ++k) {
        in_a[k] = 1.0 + 0.3 * normal(engine);
        in_b[k] = (1.0 + 0.3 * normal(engine)) * (s.heads_disagree && even(engine) < 0.0 ? -1.0 : 1.0);
    }
    std::vector<Path> a{{0.0, 1.0}}, b{{s.delay_ms / 1000.0, s.opposite ? -0.3 : 0.3}};
    for (int r = 0; r < 5; ++r) a.push_back({(8.0 + 7.0 * even(engine)) / 1000.0, 0.2 * even(engine)});
    for (int r = 0; r < 12; ++r)
        b.push_back({(s.delay_ms + 10.8 + 9.8 * even(engine)) / 1000.0, 0.3 * s.reflections * even(engine)});

    TrapTake out;
    const auto length = static_cast<std::size_t>((0.4 * static_cast<double>(s.hits) + 0.3) * s.rate_hz);
    std::vector<double> x(length), y(length);
    for (std::size_t n = 0; n < s.hits; ++n) {
        Strike hit{
            0.2 + 0.4 * static_cast<double>(n) + 0.01 * even(engine), 0.6 + 0.35 * even(engine), {}, {}};
        for (std::size_t k = 0; k < kRatios.size(); ++k)
            hit.modes[k] = std::exp(-0.25 * static_cast<double>(k)) * (1.0 + 0.3 * even(engine));
        const double length_s = 1.5e-3 * s.rate_hz;
        for (double t = 0.0; t < 4.0 * length_s; t += 1.0)
            hit.noise.push_back(0.5 * std::pow(hit.level, 1.3) * normal(engine) * std::exp(-t / length_s));
        for (const auto& path : a) add(x, s, hit, in_a, path);
        for (const auto& path : b) add(y, s, hit, in_b, path);
        out.hits.push_back({hit.time_s, dsp::Drum::kick, 20.0 * std::log10(hit.level), true});
    }
    if (s.b_low_pass_hz > 0.0) low_pass(y, s.b_low_pass_hz, s.rate_hz);
    for (std::size_t n = 0; n < length; ++n) {
        out.a.push_back(static_cast<float>(x[n] + s.noise * normal(engine)));
        out.b.push_back(static_cast<float>(y[n] + s.noise * normal(engine)));
    }
    out.take =
        dsp::take_of(s.rate_hz, {{"a", dsp::Role::kick_in}, {"b", dsp::Role::kick_out}}, {out.a, out.b});
    return out;
}

} // namespace kitfold::test
