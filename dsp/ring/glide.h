#pragma once
// The pitch of a drum falls after a stroke, which stretches the head: all its partials are sharp at the onset
// and come back together (Fletcher and Rossing, The Physics of Musical Instruments, ch. 18).
//
// Allocates: not for the audio thread. Pure; any thread.
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Strokes from their onset on in a time that runs with the pitch, so that a partial keeps its frequency; a
/// stroke whose pitch does not fall clearly is handed back as it is.
/// @param loudest_hz of the loudest partial, by which the glide is found
std::vector<std::vector<float>> straightened(std::span<const std::span<const float>> strokes, double rate_hz,
                                             double loudest_hz);

} // namespace kitfold::dsp
