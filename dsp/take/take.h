#pragma once
// What the analysis of a take works on. A take is read twice: once from end to end through a MicScan and a
// MicMeter per mic (mic_scan.h, mic_measure.h), which keep some numbers per millisecond, and then by excerpts
// around chosen hits. So ten mics and four minutes never have to be in memory.
#include "take/drums.h"
#include <cstddef>
#include <cstdint>
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace kitfold::dsp {

struct TakeMic {
    std::string name;
    Role role = Role::other;
    // What the session sets already. The samples are read as recorded; pairs and image are judged as if these
    // were applied, so that after a fix nothing is left to find.
    double level_db = 0.0;
    bool inverted = false;
    double delay_ms = 0.0; ///< 0..50
    double pan = 0.0;      ///< -1 left..1 right
};

/// Fills `out` with the samples of mic `mic` from sample `start` on; zeros outside the take (start may be
/// negative). May be called from several threads at once, for the same mic too.
using ReadExcerpt = std::function<void(std::size_t mic, std::int64_t start, std::span<float> out)>;

struct Take {
    double rate_hz = 48'000.0; ///< 8'000..384'000
    std::int64_t length = 0;   ///< samples per mic; a shorter file counts as ending in silence
    std::vector<TakeMic> mics; ///< 1..32
    ReadExcerpt read;

    [[nodiscard]] double seconds() const noexcept { return static_cast<double>(length) / rate_hz; }
};

/// A take that is in memory already. The views must outlive it. @pre as many views as mics
Take take_of(double rate_hz, std::vector<TakeMic> mics, std::vector<std::span<const float>> samples);

/// The mic that speaks for a drum: kick_in before kick_out, snare_top before snare_bottom; none without a
/// close mic.
std::optional<std::size_t> own_mic(std::span<const TakeMic> mics, Drum drum) noexcept;

/// Left and right overhead of a take, by index: the first of each role; none unless both are there.
struct OverheadPair {
    std::size_t left = 0, right = 0;
};
std::optional<OverheadPair> overhead_pair(std::span<const TakeMic> mics) noexcept;

/// One hit. `time_s` is when its own close mic hears it, within 1 ms or so (without one: when the first of
/// the mics does).
struct Hit {
    double time_s = 0.0;
    Drum drum = Drum::kick;
    double strength_db = 0.0; ///< peak level of the hit in the mic that it is timed by, dBFS
    /// Fit to measure: no other drum within 60 ms, no crash within 0.6 s before a hi-hat or ride, and no
    /// ghost under a ring.
    bool alone = false;
};

} // namespace kitfold::dsp
