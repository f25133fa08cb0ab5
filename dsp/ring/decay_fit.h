#pragma once
// How fast an energy decay falls, as room acoustics measures it: the backward integral of Schroeder ("New
// Method of Measuring Reverberation Time", JASA 37, 1965), and straight lines through it: over -5..-15 dB,
// and, as the noise margins and the allowance for the truncated tail after ISO 3382-1:2009, 5.3.3 and A.2.2,
// over the first 10 dB (early decay time) and over -5..-25 dB (T20). Times are of a fall by 60 dB.
//
// Allocates: not for the audio thread. Pure; any thread.
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

struct DecayFit {
    double ring_ms = 0.0;  ///< T60 by the first 10 dB: what the ear takes for the decay; 0 when not judged
    double body_ms = 0.0;  ///< T60 by -5..-15 dB: after the attack, before the room; 0 when not judged
    double late_ms = 0.0;  ///< T60 by -5..-25 dB, the room's share included; 0 when not judged
    double range_db = 0.0; ///< how far the level could be followed before the noise or the end
    [[nodiscard]] bool judged() const noexcept { return ring_ms > 0.0; }
};

/// @param energy mean squares of successive blocks `block_ms` long, the first of them at the loudest part
/// @param floor mean square of steady noise, which is taken out; 0 if unknown: the decay is then followed to
/// its end  @param others mean square of what else may sound under the decay and is not steady: no line goes
/// nearer to it than to the noise, 10 dB
DecayFit fit_decay(std::span<const double> energy, double block_ms, double floor, double others = 0.0);

/// Schroeder curve in dB re its start, one value a block, until the floor; noise taken out, truncated tail
/// added.
std::vector<double> backward_integral_db(std::span<const double> energy, double block_ms, double floor);

} // namespace kitfold::dsp
