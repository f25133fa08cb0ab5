#pragma once
// How long a drum rings: the whole drum by the backward integral, and each of its partials by a
// high-resolution method. Ring time always means T60, the time in which the level falls by 60 dB.
//
// The whole drum: the decay of its own strokes (decay_fit.h), from 30 Hz up: its early part, not the tail of
// the room. Its partials: the peaks of the spectrum that the strokes have in common, each with the decay of a
// narrow band around it over -5..-15 dB: after the attack, before the room. Where the drum is a sum of
// exponentials and these explain the band's decay, they are told apart more finely: modes.h.
//
// All of this allocates and takes milliseconds per hit: not for the audio thread. Functions are pure; any
// thread.
#include "ring/decay_fit.h"
#include "ring/stroke_energy.h"
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

struct RingBandLimits {
    double low_hz = 30.0;
    double high_hz = 2'000.0; ///< partials above are too short and too dense to name one by one
};

inline constexpr std::size_t kMaxPartials = 8; ///< as many as one reads at a glance

struct RingPartial {
    double hz = 0.0;
    double ring_ms = 0.0;  ///< T60
    double level_db = 0.0; ///< at the onset, re the strongest partial of the drum, median over hits
    double range_db = 0.0; ///< fall that could be seen before the noise or the next hit, median over hits
    double spread = 0.0;   ///< half the distance between the quartiles of ring_ms over hits, relative
    std::size_t hits = 0;  ///< in how many hits it was found
    /// Three hits or more agree: as a mode, seen to fall by 20 dB, within 10 % (2.5 standard errors); as a
    /// band within 15 % (2 standard errors).
    bool judged = false;
    double noise_db = 0.0; ///< how far under the onset the noise lies, median over hits; 0: not known
};

struct RingResult {
    /// Of the whole drum, body_ms apart: medians over the hits; a ring time only where three hits or more,
    /// and half of all, have it and agree within 10 % (2 standard errors).
    DecayFit decay;
    std::vector<RingPartial> partials; ///< rising frequency, at most kMaxPartials
    /// Partials that are heard, 20 dB under the strongest or less, but whose hits do not agree on a ring
    /// time.
    std::vector<RingPartial> left_open;
    std::vector<double> curve_db; ///< backward integral of the hit with the longest range, kCurveStepMs apart
    std::size_t hits = 0;         ///< hits that could be used
};

/// What is heard, those left open too: of too many those that hold the most energy, in rising frequency.
std::vector<RingPartial> heard_partials(const RingResult& ring, std::size_t most = 2 * kMaxPartials);

/// Ring time and partials of one drum from several hits; the harder ones with the longest undisturbed stretch
/// are the best choice, and eight to twelve are enough. Hits shorter than 60 ms after the onset are passed
/// over.
/// @param rate_hz 8'000..384'000
RingResult analyse_ring(std::span<const RingHit> hits, double rate_hz, const RingBandLimits& band = {});

/// The decay of the band around `hz` alone, for the same partial in two recordings: level_db is in dB re full
/// scale; no hits when less than half of them show it.
RingPartial partial_at(std::span<const RingHit> hits, double rate_hz, double hz);

} // namespace kitfold::dsp
