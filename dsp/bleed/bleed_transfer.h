#pragma once
// How loud each drum is in each mic, frequency by frequency, from the hits of a take.
#include "take/take.h"
#include <span>
#include <vector>

namespace kitfold::dsp {

/// Length of the windows (square root of Hann, half overlapped) in which bleed is learned and taken down: 43
/// ms at any rate, an even number of samples. Longer ones spread a soft hit over what came before it, shorter
/// ones do not tell the low partials of drums apart (both tried).
std::size_t bleed_window(double rate_hz) noexcept;
/// The window itself, of that length.
std::vector<float> bleed_window_shape(double rate_hz);

/// Power of a drum in every mic re the drum's own mic (without a close mic: re the mean of the overheads),
/// per bin of bleed_window().
struct BleedTransfer {
    struct Source {
        Drum drum = Drum::kick;
        std::vector<std::vector<float>> power; ///< [mic][bin], >= 0; 0: not known, or nothing
    };
    double rate_hz = 48'000.0;
    std::vector<Source> sources; ///< drums with kTransferHits hits that tell something
    [[nodiscard]] const Source* source(Drum drum) const noexcept;
};

inline constexpr std::size_t kTransferHits = 2; ///< one may hold anything

/// Reads about 0.2 s of every mic around at most 60 hits of each drum, spread over the take. What sounded
/// just before a hit is taken off; hits that come with one of another drum are used only for drums that are
/// hardly ever hit alone, and then say nothing of the other's mics. Of the hits' ratios a low quantile
/// counts, since whatever else sounds adds to them. Deterministic; allocates; not for the audio thread.
BleedTransfer learn_bleed_transfer(const Take& take, std::span<const Hit> hits);

} // namespace kitfold::dsp
