#pragma once
// The frames that a take is first read in: one per millisecond of the take, at every rate.
#include <cmath>
#include <cstdint>

namespace kitfold::dsp {

/// First sample of frame `frame` (>= 0; negative ones lie before the take). Where a millisecond is no whole
/// number of samples, frames take turns in length (44 or 45 at 44.1 kHz), so that no time is lost over a long
/// take.
inline std::int64_t frame_start(std::int64_t frame, double rate_hz) noexcept {
    return std::llround(static_cast<double>(frame) * rate_hz / 1000.0);
}

} // namespace kitfold::dsp
