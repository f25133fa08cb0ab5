#pragma once
// How long a drum rings: the whole drum by the backward integral, and each of its partials by a
// high-resolution method. Ring time always means T60, the time in which the level falls by 60 dB.
//
// Backward integral: Schroeder, "New Method of Measuring Reverberation Time", JASA 37 (1965); fit ranges,
// noise margin and the allowance for the truncated tail: ISO 3382-1:2009, 5.3.3 and 3382-2 (T30: -5..-35 dB,
// T20: -5..-25 dB). Partials: modes.h, around the peaks of the spectrum that many hits have in common.
//
// All of this allocates and takes milliseconds per hit: not for the audio thread. Functions are pure; any
// thread.
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// One hit as its own close mic has it. Other drums may already sound before it; nothing else loud may start
/// inside.
struct RingHit {
    std::span<const float> samples; ///< some 30 ms before the hit, the hit, and on until the next loud event
    std::size_t onset = 0;          ///< index in `samples` at which the hit begins, within some 2 ms
};

struct RingBandLimits {
    double low_hz = 30.0;
    double high_hz = 2'000.0; ///< partials above are too short and too dense to name one by one
};

/// Time to fall by 60 dB, from an energy decay.
struct DecayFit {
    double ring_ms = 0.0;     ///< T60; 0 when the decay could not be judged
    double range_db = 0.0;    ///< how far the decay could be followed before the noise or the next hit
    double fit_from_db = 0.0; ///< upper limit of the fit, -5 by ISO 3382
    double fit_to_db = 0.0;   ///< lower limit: -35 (T30), -25 (T20), or -15 where the range allowed no more
    double curvature = 0.0;   ///< rms distance of the curve from the straight line over the fit, dB
    double floor_db = 0.0;    ///< steady noise under the decay, dB re its first block (-200: none seen)
    bool judged = false;
    /// Fitted over 20 dB or more. Over less a drum of several modes shows how its loud start falls.
    [[nodiscard]] bool sure() const noexcept { return judged && fit_to_db <= -20.0; }
};

/// Fits T60 to `energy`, mean squares of successive blocks `block_ms` long, the first of them at the loudest
/// part of the hit. `floor` is the mean square of steady noise, 0 if unknown: the decay is then followed to
/// its end.
DecayFit fit_decay(std::span<const double> energy, double block_ms, double floor);

/// Schroeder curve in dB re its start, one value a block, until the floor; noise taken out, truncated tail
/// added.
std::vector<double> backward_integral_db(std::span<const double> energy, double block_ms, double floor);

struct RingPartial {
    double hz = 0.0;
    double ring_ms = 0.0;  ///< T60
    double level_db = 0.0; ///< at the onset, re the strongest partial of the drum, median over hits
    double range_db = 0.0; ///< fall that could be seen before the noise or the next hit, median over hits
    double spread = 0.0;   ///< half the distance between the quartiles of ring_ms over hits, relative
    std::size_t hits = 0;  ///< in how many hits it was found
    /// ring_ms is good to a tenth: seen to fall by 20 dB, in three hits that agree as far as that takes.
    bool judged = false;
};

struct RingResult {
    DecayFit decay; ///< medians over the hits with the largest range
    std::vector<RingPartial>
        partials; ///< rising frequency, at most kMaxPartials; one that the hits do not agree on is left out
    /// Partials that are heard, 20 dB under the strongest or less, but whose hits do not agree on a ring
    /// time.
    std::vector<RingPartial> left_open;
    std::vector<double> curve_db; ///< backward integral of the hit with the longest range, kCurveStepMs apart
    std::size_t hits = 0;         ///< hits that could be used
};

/// All that is heard, those left open too, in rising frequency.
std::vector<RingPartial> heard_partials(const RingResult& ring);

inline constexpr std::size_t kMaxPartials = 8;
inline constexpr double kCurveStepMs = 2.0;

/// Ring time and partials of one drum from several hits; the harder ones with the longest undisturbed stretch
/// are the best choice, and eight to twelve are enough. Hits shorter than 60 ms after the onset are passed
/// over.
/// @param rate_hz 8'000..384'000
RingResult analyse_ring(std::span<const RingHit> hits, double rate_hz, const RingBandLimits& band = {});

} // namespace kitfold::dsp
