#pragma once
// Small takes of one drum and two mics with a known arrival difference, each built to mislead a correlation.
#include "take/take.h"
#include <cmath>
#include <complex>
#include <numbers>
#include <random>
#include <vector>

namespace kitfold::test {

struct TrapSettings {
    double rate_hz = 48'000.0;
    std::uint32_t seed = 1;
    std::size_t hits = 12;
    double drum_hz = 80.0;
    double delay_ms = 2.7; ///< of b after a
    bool opposite = true;
    bool heads_disagree = false; ///< half of the modes answer in b with the other sign than the attack does
    double reflections = 0.3;    ///< gain of the largest reflections in b re its direct sound
    double noise = 1e-3;         ///< RMS re a hit of level 1 in a; b hears the drum at 0.3
    double b_low_pass_hz = 0.0;  ///< 0: none
};

struct TrapTake {
    std::vector<float> a, b;
    std::vector<dsp::Hit> hits;
    dsp::Take take;
};

/// Modes at the membrane ratios, zero at the strike, plus 1.5 ms of contact noise; every mic hears each mode
/// at its own gain. Delays are exact: every source is computed at its own time, modes in closed form and
/// noise by a sinc.
TrapTake make_trap(const TrapSettings& s);

} // namespace kitfold::test
