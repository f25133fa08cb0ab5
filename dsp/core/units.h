#pragma once
// Conversions between what people say (dB, cm, °C) and what the maths uses.
#include <cmath>

namespace kitfold::dsp {

/// Amplitude ratio of a level in dB; -infinity dB is exactly 0.
inline double gain_from_db(double db) noexcept { return std::pow(10.0, db / 20.0); }
/// Level in dB of an amplitude ratio; 0 is -infinity.
inline double db_from_gain(double gain) noexcept { return 20.0 * std::log10(gain); }

/// Power ratio of a level in dB; -infinity dB is exactly 0.
inline double power_from_db(double db) noexcept { return std::pow(10.0, db / 10.0); }

/// Speed of sound in dry air in m/s at `temperature_c` (-20..50 °C): 331.3 sqrt(1 + T / 273.15), ideal gas;
/// within 0.1 % of ISO 9613-1 at room temperature (343.2 m/s at 20 °C).
double speed_of_sound(double temperature_c) noexcept;

/// Time in ms that sound takes for `distance_cm`.
double ms_from_cm(double distance_cm, double temperature_c) noexcept;
/// Distance in cm that sound travels in `time_ms`.
double cm_from_ms(double time_ms, double temperature_c) noexcept;

} // namespace kitfold::dsp
