#pragma once
// The stereo submix of a session, on files.
#include "offline/audio/meters.h"
#include "offline/session/kit_reader.h"
#include "offline/session/session.h"
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace kitfold::offline {

struct BounceRequest {
    Session session;
    std::filesystem::path output;               ///< .wav or .flac
    std::optional<std::filesystem::path> stems; ///< folder for one file per mic
    bool dry_stems = false; ///< mono, after the strip; else stereo, as the mic is in the sum before the bus
    bool force = false;     ///< also over a submix that is not this session's, or has lost its recall sheet
    std::optional<int> rate_hz;      ///< convert files of another rate
    std::size_t block_frames = 8192; ///< what is handed on at a time; the samples do not depend on it
};

struct MicFigures {
    MicSource source;
    double peak_dbfs = kSilenceDb;     ///< of its part of the sum before the bus, the louder side
    std::optional<double> gate_open_s; ///< when the mic has a gate
    std::filesystem::path stem;        ///< when asked for
};

struct BusFigures {
    double largest_reduction_db = 0.0, mean_reduction_db = 0.0;
};

/// What a bounce did.
struct BounceFigures {
    AudioFormat format; ///< of the output
    std::string output_xxh128;
    StereoFigures stereo;
    std::uint64_t clipped = 0; ///< output samples beyond full scale, written at full scale
    std::optional<BusFigures> bus;
    std::vector<MicFigures> mics;
    std::vector<std::string> notices;
    std::filesystem::path recall_json, recall_page;
    [[nodiscard]] double seconds() const noexcept { return double(format.frames) / format.rate_hz; }
};

/// A submix that was mixed and not written.
struct MeasuredSubmix {
    StereoFigures stereo; ///< may be over full scale: nothing was clipped
    std::optional<BusFigures> bus;
    std::vector<BusFigures> trials; ///< of each bus that was tried on what leaves the mix
};
/// What bounce() would measure. @param trials buses to try on it, side by side. Throws Error as KitReader
/// does, bad_input for a trial out of range.
MeasuredSubmix measure_submix(const Session& session, std::optional<int> rate_hz = {},
                              const std::vector<dsp::BusSettings>& trials = {},
                              const std::function<void(double)>& progress = {});

/// What a bounce is to come to; at least one is asked for.
struct OutputWish {
    std::optional<double> loudness_lufs;
    double peak_dbtp = -1.0;
};
/// Sets the session's output level so that it comes to the loudness, or as near as the true peak allows;
/// without one, to the peak. The level may be -90 to 12 dB and is rounded down to 0.1. Returns what could not
/// be reached together; empty: all was. @param at_0_db the same session's submix with an output level of 0 dB
std::string fit_output(Session& session, const OutputWish& wish, const MeasuredSubmix& at_0_db);

/// Reads, mixes, writes and measures on as many threads as there are cores; memory does not grow with the
/// length. When bleed is to be taken down in a mic, the take is gone through once before that. The latency of
/// the blocks is taken out. Writes the output, the recall sheet beside it (NAME.recall.json,
/// NAME.recall.html) and the stems, all or nothing: each has its final name only when everything is written.
/// An input is never touched. The stems that are not dry add up to the submix before bus and output level.
/// @param progress called now and then with the share that is done, 0..1, on any thread, one at a time
/// Throws Error: bad_input as KitReader and Outputs do, for an extension, for bits that do not fit; io_failed
/// when something can't be written.
BounceFigures bounce(const BounceRequest& request, const std::function<void(double)>& progress = {});

} // namespace kitfold::offline
