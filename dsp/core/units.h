#pragma once
// Conversions between what people say (dB, cm, °C) and what the maths uses.
#include <algorithm>
#include <cmath>
#include <limits>

namespace kitfold::dsp {

inline constexpr double kInfinity = std::numeric_limits<double>::infinity();

/// Amplitude ratio of a level in dB; -infinity dB is exactly 0.
inline double gain_from_db(double db) noexcept { return std::pow(10.0, db / 20.0); }
/// Level in dB of an amplitude ratio; 0 is -infinity.
inline double db_from_gain(double gain) noexcept { return 20.0 * std::log10(gain); }

/// As above, no less than `least_db`.
inline double db_from_gain(double gain, double least_db) noexcept {
    return std::max(least_db, db_from_gain(gain));
}

/// Power ratio of a level in dB; -infinity dB is exactly 0.
inline double power_from_db(double db) noexcept { return std::pow(10.0, db / 10.0); }
/// Level in dB of a power ratio; 0 and what rounding left below it are -infinity.
inline double db_from_power(double power) noexcept {
    return power > 0.0 ? 10.0 * std::log10(power) : -kInfinity;
}
/// As above, no less than `least_db`.
inline double db_from_power(double power, double least_db) noexcept {
    return std::max(least_db, db_from_power(power));
}

inline constexpr double kSilentDb = -200.0; ///< what is told of silence where -infinity can't be

/// Loudness in LUFS of a K-weighted power, the channels' powers added (ITU-R BS.1770-4, annex 1).
inline double lufs_from_power(double power) noexcept { return -0.691 + db_from_power(power); }

/// The inverse.
inline double power_from_lufs(double loudness_lufs) noexcept { return power_from_db(loudness_lufs + 0.691); }

/// To 0.1 dB, as levels are written; never -0.
inline double to_tenths(double db) noexcept { return std::round(db * 10.0) / 10.0 + 0.0; }

/// Speed of sound in dry air in m/s at `temperature_c` (-20..50 °C): 331.3 sqrt(1 + T / 273.15), ideal gas;
/// within 0.1 % of ISO 9613-1 at room temperature (343.2 m/s at 20 °C).
double speed_of_sound(double temperature_c) noexcept;

/// Time in ms that sound takes for `distance_cm`.
double ms_from_cm(double distance_cm, double temperature_c) noexcept;
/// Distance in cm that sound travels in `time_ms`.
double cm_from_ms(double time_ms, double temperature_c) noexcept;

} // namespace kitfold::dsp
