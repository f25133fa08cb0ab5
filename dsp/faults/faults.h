#pragma once
// What is wrong with a mic's recording itself, from the first reading and from a few excerpts. Polarity is
// judged by pairs.h, left/right by image.h, names by patching.h, crackle by electric.h.
#include "take/mic_measure.h"
#include "take/take.h"
#include <optional>
#include <span>
#include <string_view>
#include <vector>

namespace kitfold::dsp {

inline constexpr double kSilentDbfs =
    -70.0; ///< peak of a mic with no drum in it (common practice, no source)

enum class FaultKind {
    clipped,
    hum,
    dc,
    dropout,
    crackle,
    silent,
    identical,
    rate,
    length,
    low_level,
    polarity,
    channel_order
};

/// "clipped", "low_level", …: the values of `kind` in JSON.
std::string_view fault_name(FaultKind kind) noexcept;

/// On what ground a mic is not where its name says.
enum class Misplaced {
    by_side,    ///< overheads left and right
    by_pitch,   ///< it sounds as the other should
    by_arrival, ///< it hears their drum after the other
    late        ///< it hears its own drum after an overhead
};

struct Fault {
    FaultKind kind = FaultKind::silent;
    std::size_t mic = 0;
    std::optional<double> at_s; ///< where it is heard first; none: all along
    double level_db = 0.0;      ///< clipped: level of the flat tops; crackle: of the loudest click; hum, dc,
                                ///< silent, low_level: dBFS
    std::size_t count = 0;      ///< clipped: flat tops; dropout: gaps; crackle: clicks; hum: harmonics
    double seconds = 0.0; ///< dropout: the longest gap; length, rate: longer (+) or shorter than the others
    double hz = 0.0;      ///< hum: 50 or 60; rate: the file's
    std::optional<std::size_t>
        other; ///< identical: the mic that has the same signal; channel_order: the other one
    Misplaced misplaced = Misplaced::by_side; ///< channel_order
};

/// What the session's files say about themselves, for faults that need no samples.
struct MicFile {
    double rate_hz = 48'000.0;
    std::int64_t samples = 0;
};

/// clipped, hum, dc (of the whole take, or of a second or more of it), dropout, silent, low_level of one mic.
/// `own_hits` are hits of the drum it is put up for, all of the take's for overheads and rooms: without any,
/// a low level is not held against it. Reads short excerpts at its highest peaks.
std::vector<Fault> mic_faults(const Take& take, std::size_t mic, const MicMeasure& measure,
                              std::size_t own_hits);

/// dropout of mics that stop while most others go on, for a second or more: a file that is as long as the
/// others and empty from there on. Tracks that were cut or gated are left out. @param measures one per mic
std::vector<Fault> early_ends(std::span<const MicMeasure> measures);

/// Mics that carry one signal, at any gain and polarity. @param measures one per mic
std::vector<Fault> identical_faults(const Take& take, std::span<const MicMeasure> measures);

/// Rates and lengths that differ from what most files have. A length that is off by the ratio of two usual
/// rates is named as a wrong rate.
std::vector<Fault> file_faults(std::span<const MicFile> files);

struct MicLevels {
    double peak_dbfs = -200.0;
    double noise_floor_dbfs = -200.0; ///< RMS that 98 % of all 50 ms exceed, DC apart: whatever never stops
    double hit_rms_dbfs = -200.0;     ///< median over hits of the RMS of their first 50 ms
    double crest_db = 0.0;            ///< peak over RMS of the take
    double dc = 0.0;                  ///< full scale is 1
};
/// @param hits times in s
MicLevels mic_levels(const MicMeasure& measure, std::span<const double> hits);

/// Mains hum: the stronger of 50 and 60 Hz with harmonics, or nothing. Constant in level and phase, which no
/// drum is.
struct Hum {
    double hz = 50.0;        ///< nominal
    double exact_hz = 50.0;  ///< as found, within 0.15 Hz
    double level_dbfs = 0.0; ///< RMS of all harmonics found
    std::vector<int> harmonics;
};
std::optional<Hum> find_hum(std::span<const float> low, double low_rate_hz);

} // namespace kitfold::dsp
