#pragma once
// First arrival of a drum in one mic relative to another, from many hits.
#include "analysis/excerpts.h"
#include "analysis/fft.h"
#include <complex>
#include <vector>

namespace kitfold::dsp {

inline constexpr double kArrivalBeforeMs = 50.0; ///< what the excerpts must span around the hit
inline constexpr double kArrivalAfterMs = 100.0;
inline constexpr double kArrivalRangeMs = 40.0; ///< delays that are looked for, either sign

struct FirstArrival {
    double delay_ms = 0.0; ///< how much later b hears the drum than a
    bool opposite = false; ///< b answers upside down
    double confidence =
        0.0; ///< 0..1: estimators and groups of hits agree, and the peak stands clear of the noise
    double spread_ms = 0.0; ///< median absolute deviation over groups of hits
};

/// Works on the excerpts of one drum; keeps the plan, so make one per rate and reuse it.
class ArrivalFinder {
public:
    explicit ArrivalFinder(double rate_hz);

    /// @param a_offset_ms when a hears the drum, re the origin of the excerpts (0 if a is the drum's own mic)
    /// Needs kArrivalBeforeMs and kArrivalAfterMs in the excerpts. Without hits the confidence is 0.
    [[nodiscard]] FirstArrival find(const DrumExcerpts& hits, std::size_t a, std::size_t b,
                                    double a_offset_ms = 0.0) const;

private:
    struct Cross;
    struct Peak;
    [[nodiscard]] Cross cross(const DrumExcerpts& hits, std::size_t a, std::size_t b, double a_offset_ms,
                              std::size_t group, std::size_t groups) const;
    [[nodiscard]] Peak first_peak(const Cross& cross, double bandwidth_hz) const;

    double rate_hz_;
    std::size_t length_;
    RealFft fft_;
    std::size_t finer_;
    RealFft fine_;
};

} // namespace kitfold::dsp
