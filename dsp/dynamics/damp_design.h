#pragma once
// The numbers behind Damp: what the settings make of a ring band, of the ways into each other that the bands
// have, and of how a decay is followed.
#include "settings/parameters.h"
#include <array>
#include <cstddef>

namespace kitfold::dsp {

/// 1/s at which an amplitude falls when its level falls by 60 dB in `ring_ms`: ln(1000) / T60.
inline double decay_rate(double ring_ms) noexcept { return 6907.755278982137 / ring_ms; }
/// And back: T60 in ms.
inline double ring_time(double alpha) noexcept { return decay_rate(alpha); } // its own inverse

/// The numbers behind one ring band, for the block, for plots and for tests.
struct DampBandDesign {
    bool used = false;
    double alpha = 0.0, extra = 0.0;                 ///< 1/s: of the open ring, and what the band adds to it
    double width = 0.0;                              ///< half bandwidth in rad/s
    double omega = 0.0;                              ///< rad/s
    double pole_re = 0.0, pole_im = 0.0, feed = 0.0; ///< resonator at the audio rate
    double turn_re = 1.0, turn_im = 0.0;             ///< what the open ring does in a hop
    double settle = 1.0; ///< part of the way to the settled state that a hop brings
    /// `amount` -1..1 goes from mirrored (open²/ring) over open to ring, in octaves of ring time.
    /// `tail_alpha` is what the tail takes already.
    static DampBandDesign make(double rate_hz, std::size_t hop, const RingBand& band, double amount,
                               double tail_alpha) noexcept;
};

/// Takes what the resonators hold apart into rings. Each resonator answers to every ring a little; once
/// settled, (re, im) of all of them are a linear function of the rings' phasors, of which this is the inverse
/// (least squares with a trace of damping, so that two equal bands share a ring instead of dividing by 0).
struct DampCoupling {
    static constexpr std::size_t kSize = 2 * kRingBands;
    /// ring phasor 2k (re), 2k+1 (im) from resonator state 2b (re), 2b+1 (im); 0 where a band is not used
    std::array<std::array<double, kSize>, kSize> from{};
    static DampCoupling make(double rate_hz, const std::array<DampBandDesign, kRingBands>& bands) noexcept;
};

/// How one decay is followed from hop to hop; powers per hop.
struct DampFollow {
    double slowest = 1.0, fastest = 1.0; ///< what still counts as the drum's own decay
    double gain = 1.0;                   ///< extra decay, of a ring in amplitude; above 1 it opens up
    double margin = 1.0;                 ///< how far above its own decay a band still counts as ring
    double window = 0.0;                 ///< hops after a stroke in which its energy arrives
    double surplus = 1.0;                ///< rise that ripple explains
    static DampFollow ring(double rate_hz, std::size_t hop, const DampBandDesign& band) noexcept;
    static DampFollow broad(double rate_hz, std::size_t hop, double db_per_s, double slowest_db_per_s,
                            double fastest_db_per_s) noexcept;
};

} // namespace kitfold::dsp
