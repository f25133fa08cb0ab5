#pragma once
// How a drum's waveform gets from its own mic to another, from a take.
#include <cstddef>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Several channels side by side: samples[step * channels + channel].
struct Interleaved {
    std::span<const float> samples;
    std::size_t channels = 1;
    [[nodiscard]] std::size_t steps() const noexcept { return samples.size() / channels; }
};

/// The causal impulse responses of `taps` samples by which `sources` foretell `target` best where use[step]
/// is not 0: least squares (the normal equations of linear prediction; N. Wiener, 1949), with a small
/// diagonal load against what the take cannot tell. One per source; empty for one that has next to no share,
/// all empty when together they foretell less than a fifth of the energy or fewer than least_steps count.
/// Reads blocks spread over the take, kMostResponseSteps at most. Allocates; not for the audio thread.
std::vector<std::vector<double>> learn_responses(Interleaved take, std::size_t target,
                                                 std::span<const std::size_t> sources,
                                                 std::span<const char> use, std::size_t taps,
                                                 std::size_t least_steps);

inline constexpr std::size_t kMostResponseSteps = 600'000; ///< 100 s at the key's 6 kHz; more cost time

} // namespace kitfold::dsp
