#include "synth/membrane.h"
#include <algorithm>
#include <cmath>

namespace kitfold::dsp {

double bessel_zero(int m, int n) {
    const auto j = [m](double x) { return std::cyl_bessel_j(static_cast<double>(m), x); };
    // Zeros of J_m lie more than 2.4 apart (3.1 for m > 0), and none below m.
    constexpr double kStep = 0.5;
    double low = std::max(0.5, static_cast<double>(m));
    for (int found = 0;; low += kStep) {
        if ((j(low) < 0.0) == (j(low + kStep) < 0.0)) continue;
        if (++found == n) break;
    }
    double high = low + kStep;
    const bool rising = j(low) < 0.0;
    for (int i = 0; i < 60; ++i) {
        const double middle = 0.5 * (low + high);
        ((j(middle) < 0.0) == rising ? low : high) = middle;
    }
    return 0.5 * (low + high);
}

std::vector<MembraneMode> ideal_membrane(std::size_t count) {
    std::vector<MembraneMode> modes;
    const double first = bessel_zero(0, 1);
    for (int m = 0; m <= 14; ++m) // (15,1) and (0,7) lie beyond the fortieth mode
        for (int n = 1; n <= 6; ++n) {
            const double zero = bessel_zero(m, n);
            modes.push_back({m, n, zero, zero / first});
        }
    std::sort(modes.begin(), modes.end(), [](const auto& a, const auto& b) { return a.zero < b.zero; });
    modes.resize(std::min(count, modes.size()));
    return modes;
}

double mode_shape(const MembraneMode& mode, double radius, double angle) {
    const double m = mode.m;
    const double norm = std::abs(std::cyl_bessel_j(m + 1.0, mode.zero));
    return std::cyl_bessel_j(m, mode.zero * radius) * std::cos(m * angle) / norm;
}

double air_loaded_ratio(const MembraneMode& mode, double loading) noexcept {
    return mode.ratio * std::sqrt((1.0 + loading) / (1.0 + loading / mode.ratio));
}

} // namespace kitfold::dsp
