#include "ring/damp_model.h"
#include "dynamics/damp.h"
#include <cmath>
#include <complex>
#include <memory>
#include <numbers>
#include <span>
#include <vector>

namespace kitfold::dsp {
namespace {

constexpr double kRateHz = 48'000.0;                   // the block works alike at all
constexpr double kSilenceMs = 50.0, kSettledMs = 20.0; // before a stroke, and until bands have taken hold
constexpr double kFrameMs = 60.0; // a period of the lowest ring and its mirror image stay apart
constexpr int kLevels = 8;        // of a line that hardly bends

std::size_t samples(double ms) { return static_cast<std::size_t>(std::lround(0.001 * ms * kRateHz)); }

std::vector<float> partial(double hz, double ring_ms, std::size_t frames) {
    const auto silence = samples(kSilenceMs);
    std::vector<float> x(silence + frames);
    const double alpha = decay_rate(ring_ms) / kRateHz, omega = 2.0 * std::numbers::pi * hz / kRateHz;
    for (std::size_t n = 0; n < frames; ++n) {
        const auto t = static_cast<double>(n);
        x[silence + n] = static_cast<float>(std::exp(-alpha * t) * std::sin(omega * t));
    }
    return x;
}

/// Natural logarithm of what a frame holds of `hz`, under a Hann window.
double log_level(std::span<const float> frame, double hz) {
    const double turn = 2.0 * std::numbers::pi;
    const auto step = std::polar(1.0, -turn * hz / kRateHz),
               window_step = std::polar(1.0, turn / static_cast<double>(frame.size()));
    std::complex<double> sum = 0.0, phasor = 1.0, window = 1.0;
    for (const float x : frame) {
        sum += (1.0 - window.real()) * static_cast<double>(x) * phasor;
        phasor *= step, window *= window_step;
    }
    return std::log(std::abs(sum) + 1e-30);
}

} // namespace

double damped_ring_ms(const DampSettings& settings, double hz, double open_ring_ms, double over_ms) {
    const auto damp = std::make_unique<Damp<float>>();
    if (!damp->prepare(kRateHz) || damp->set(settings) != nullptr) return 0.0;
    auto x = partial(hz, open_ring_ms, samples(kSettledMs + over_ms + kFrameMs));
    damp->process(x.data(), x.data(), x.size());
    double level_by_time = 0.0, time_squared = 0.0;
    for (int i = 0; i < kLevels; ++i) {
        const double from_middle_ms = over_ms * (i / (kLevels - 1.0) - 0.5);
        const auto from = samples(kSilenceMs + kSettledMs + 0.5 * over_ms + from_middle_ms);
        level_by_time += from_middle_ms * log_level(std::span(x).subspan(from, samples(kFrameMs)), hz);
        time_squared += from_middle_ms * from_middle_ms;
    }
    const double alpha = -1000.0 * level_by_time / time_squared;
    return alpha > 0.0 ? ring_time(alpha) : 0.0;
}

} // namespace kitfold::dsp
