#include "dynamics/gate.h"

namespace kitfold::dsp {

GateDesign GateDesign::make(double rate_hz, const GateSettings& s) noexcept {
    constexpr double kMutedDb = -100.0; // where a fade to silence starts and ends
    const bool mutes = s.range_db == kOffDb;
    const double range_db = mutes ? kMutedDb : s.range_db;
    const auto per_sample = [&](double time_ms) { // ratio that covers the range in time_ms
        return gain_from_db(-range_db / std::max(1.0, time_ms * rate_hz / 1000.0));
    };
    GateDesign d{};
    d.open_level = gain_from_db(s.threshold_db);
    d.close_level = gain_from_db(s.threshold_db - s.hysteresis_db);
    d.hold = std::round(s.hold_ms * rate_hz / 1000.0);
    d.floor = gain_from_db(range_db);
    d.mute_at = mutes ? d.floor * (1.0 + 1e-9) : -1.0;
    d.up = per_sample(s.attack_ms);
    d.down = 1.0 / per_sample(s.release_ms);
    return d;
}

} // namespace kitfold::dsp
