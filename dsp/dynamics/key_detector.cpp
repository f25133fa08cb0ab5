#include "dynamics/key_detector.h"
#include <numbers>

namespace kitfold::dsp {

KeyDesign KeyDesign::make(double rate_hz, const GateSettings& s) noexcept {
    constexpr double kQ = std::numbers::sqrt2 / 2.0;
    KeyDesign design;
    if (s.key_high_pass_hz != kFilterOff)
        design.high_pass = Section::high_pass(rate_hz, s.key_high_pass_hz, kQ);
    if (s.key_low_pass_hz != kFilterOff && s.key_low_pass_hz < 0.49 * rate_hz)
        design.low_pass = Section::low_pass(rate_hz, s.key_low_pass_hz, kQ);
    return design;
}

} // namespace kitfold::dsp
