#include "core/windows.h"
#include <algorithm>

namespace kitfold::dsp {

double kaiser(double beta, double x) noexcept {
    return std::cyl_bessel_i(0.0, beta * std::sqrt(std::max(0.0, 1.0 - x * x))) /
           std::cyl_bessel_i(0.0, beta);
}

} // namespace kitfold::dsp
