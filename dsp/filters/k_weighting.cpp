#include "filters/k_weighting.h"
#include "core/units.h"
#include <cmath>
#include <numbers>

namespace kitfold::dsp {

KWeightingDesign KWeightingDesign::make(double rate_hz) noexcept {
    constexpr double kHeadHz = 1'681.974450955533, kHeadDb = 3.999843853973347, kHeadQ = 0.7071752369554196;
    constexpr double kCutHz = 38.13547087602444, kCutQ = 0.5003270373238773;
    const double g = std::tan(std::numbers::pi * kHeadHz / rate_hz), high = gain_from_db(kHeadDb);
    const double middle = std::pow(high, 0.4996667741545416);
    const Section head{g, 1.0 / kHeadQ, high, (middle - high) / kHeadQ, 1.0 - high};
    // the standard's low cut has a numerator of 1, -2, 1, which is a little more than unity
    const double c = std::tan(std::numbers::pi * kCutHz / rate_hz), unity = 1.0 + c / kCutQ + c * c;
    const Section low_cut{c, 1.0 / kCutQ, unity, -unity / kCutQ, -unity};
    return {head, low_cut};
}

} // namespace kitfold::dsp
