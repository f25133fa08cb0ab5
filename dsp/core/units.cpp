#include "core/units.h"

namespace kitfold::dsp {

double speed_of_sound(double temperature_c) noexcept {
    return 331.3 * std::sqrt(1.0 + temperature_c / 273.15);
}

double ms_from_cm(double distance_cm, double temperature_c) noexcept {
    return distance_cm * 10.0 / speed_of_sound(temperature_c);
}

double cm_from_ms(double time_ms, double temperature_c) noexcept {
    return time_ms * speed_of_sound(temperature_c) / 10.0;
}

} // namespace kitfold::dsp
