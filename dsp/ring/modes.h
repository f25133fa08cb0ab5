#pragma once
// The decaying sinusoids that a struck drum is made of, by ESPRIT (Roy and Kailath, IEEE Trans. ASSP 37(7),
// 1989) in one narrow band at a time: Σ A exp(-α t) cos(ω t + φ).
#include <cmath>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// From here on a stroke rings freely: stick or beater has left the head, and the onset may be 2 ms off.
inline constexpr double kFreeAfterMs = 10.0;

/// One exponential of the sum.
struct RingMode {
    double hz = 0.0;
    double decay_per_s = 0.0; ///< α
    double amplitude = 0.0;   ///< A, at the first sample
    double range_db = 0.0;    ///< how far it could be followed before the noise or the end of the samples
    double noise_db = 0.0;    ///< how far below A what no mode explains lies
    [[nodiscard]] double ring_ms() const noexcept { return 3000.0 * std::log(10.0) / decay_per_s; } ///< T60
};

/// Modes within `half_width_hz` (20..100) of `centre_hz`, strongest first; ring times 10 ms to 20 s, so
/// neither clicks nor hum. The samples should begin when nothing drives the drum any more (some 10 ms after
/// the hit) and last for about a period of the closest distance between modes. Empty if nothing stands out of
/// the noise or fewer than 64 samples are given. Allocates, takes about a millisecond; any thread.
/// @param rate_hz 8'000..384'000
std::vector<RingMode> find_modes(std::span<const float> samples, double rate_hz, double centre_hz,
                                 double half_width_hz);

/// How few modes would do for what lies within `half_width_hz` of `centre_hz`: the smaller, the fewer. A
/// chord that bends needs more modes than one that does not. No unit; compares stretches of the same length
/// only.
double mode_spread(std::span<const float> samples, double rate_hz, double centre_hz, double half_width_hz);

} // namespace kitfold::dsp
