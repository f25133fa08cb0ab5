#include "filters/kick_conditioner.h"

namespace kitfold::dsp {

KickDesign KickDesign::make(double rate_hz, const KickSettings& s) noexcept {
    const auto high = Butterworth::high_pass(rate_hz, s.high_pass_hz, s.high_pass_slope);
    const auto low = Butterworth::low_pass(rate_hz, s.bleed_cut_hz, s.bleed_cut_slope);
    return {{high.first, high.second, Section::low_shelf(rate_hz, s.shelf_hz, s.shelf_db, s.shelf_slope),
             Section::bell(rate_hz, s.box_hz, s.box_db, s.box_q), low.first, low.second},
            gain_from_db(s.level_db)};
}

double KickDesign::response_db(double hz, double rate_hz) const noexcept {
    double db = db_from_gain(gain);
    for (const auto& s : section) db += db_from_gain(std::abs(s.response(hz, rate_hz)));
    return db;
}

double KickGlide::tick(const KickDesign& design, double x) noexcept {
    for (std::size_t s = 0; s < KickDesign::kSections; ++s) {
        SectionCoefficients<double> coefficients;
        coefficients.set(0, design.section[s]);
        SectionInLoop<double> section(coefficients, state[s]);
        x = section.tick(x);
        section.keep(state[s]);
    }
    return x * design.gain;
}

} // namespace kitfold::dsp
