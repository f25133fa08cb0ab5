#pragma once
// Damp's settings from a recording: the ring partials and their decay are measured, and what a blanket, a
// ring or tape would take from them is proposed. Or the other way round: from a take of the drum as it is and
// one of it deadened, the settings that make the first like the second.
//
// Allocates and takes milliseconds per hit: not for the audio thread. Pure; any thread.
#include "ring/ring.h"
#include "settings/settings.h"
#include <span>
#include <string>
#include <vector>

namespace kitfold::dsp {

/// How a drum rings in one mic.
struct DrumDecay {
    RingResult ring;
    double top_ring_ms = 0.0; ///< T60 of everything above 2 kHz, median over hits; 0 when it can't be seen
};
/// @param hits of one drum in its own close mic  @param rate_hz 8'000..384'000
DrumDecay measure_decay(std::span<const RingHit> hits, double rate_hz);
/// The second of its figures alone.
double top_ring_ms(std::span<const RingHit> hits, double rate_hz);

/// The hits of a recording of one drum: where the level jumps, within 20 dB of the loudest, each with 30 ms
/// before it and on to the next jump or at most 3 s. Views of `mono`.
std::vector<RingHit> loud_hits(std::span<const float> mono, double rate_hz);

/// What the drum is to become.
struct DampTarget {
    /// Ring time of the lowest partial re the open drum, 0.05..1. Higher partials lose more, as felt and
    /// cloth take the top first: what is added to their alpha rises with the square root of frequency.
    double ring_share = 0.45;
    /// The same drum really deadened; when it is there, that is the target instead.
    const DrumDecay* deadened = nullptr;
};

struct LearnedPartial {
    double hz = 0.0;
    double open_ring_ms = 0.0; ///< T60 as recorded
    double ring_ms = 0.0;      ///< T60 that it is to have
    double level_db = 0.0;     ///< at the onset, re the strongest partial
    double range_db = 0.0;     ///< fall that the recording's noise floor let be seen
    double longest_ms = 0.0;   ///< T60 to which the noise floor allows it to be opened up
    std::size_t band = 0;      ///< of settings.bands: its own, one shared with close partials, or the nearest
};

struct DampLearned {
    DampSettings settings;                ///< amount 1; no bands when nothing could be learned
    std::vector<LearnedPartial> partials; ///< rising frequency
    double lowest_amount = 0.0;           ///< -1..0: how far below 0 the noise floor lets `amount` go
    std::size_t hits = 0;                 ///< that could be used
    std::string why_not;                  ///< in plain words when there are no bands; empty otherwise
};

/// Noise that opening up lifts must stay this far below the onset of the ring.
inline constexpr double kOpenedNoiseDb = 40.0;

/// The bands are tried on the partials as they were learned, one by one, and corrected by what they do to
/// them: each takes a little from its neighbours' partials too.
DampLearned learn_damp(const DrumDecay& open, const DampTarget& target = {});

} // namespace kitfold::dsp
