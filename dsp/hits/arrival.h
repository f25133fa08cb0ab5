#pragma once
// When a stroke is first heard in a mic, by its samples.
#include "take/take.h"
#include <optional>

namespace kitfold::dsp {

/// Re the time of an event (hit_model.h), which is that of all mics together: within this each hears its
/// stroke first. Sound crosses a kit in 9 ms.
inline constexpr double kHeardBefore_s = 0.007, kHeardAfter_s = 0.006;

/// Seconds in the mic's file at which the wave begins that starts within from_s..to_s: where it first passes
/// 5 % of its first peaks (of the 13.6 ms that follow, as far as end_s), and 1.5 times what was there just
/// before, on the way back from 30 % of them, gaps of 1 ms bridged: a forerunner further ahead is another
/// sound. None where the 10 ms before from_s are more than a quarter as loud. What lies below low_hz counts
/// less. Allocates; any thread.
std::optional<double> first_arrival_s(const Take& take, std::size_t mic, double low_hz, double from_s,
                                      double to_s, double end_s);

} // namespace kitfold::dsp
