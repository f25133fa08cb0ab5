#pragma once
// What `kitfold live` shows: text only, so that it can be tested.
#include "offline/live/jack_client.h"
#include "offline/live/soundcheck.h"
#include "offline/live/writer.h"
#include "settings/settings_json.h"
#include <array>
#include <optional>
#include <string>
#include <vector>

namespace kitfold::offline {

/// A peak that falls by 20 dB in 1.7 s (IEC 60268-10, type I), what it reached in the last two seconds, and
/// whether a converter was at its end.
struct PeakMeter {
    static constexpr double kFloorDb = -90.0;
    static constexpr double kHoldS = 2.0;
    /// A peak that reaches the largest number of 16 bits, the coarsest converter, has clipped or is about to.
    static constexpr double kClipped = 32'767.0 / 32'768.0;

    double shown_db = kFloorDb, hold_db = kFloorDb, held_s = 0.0;
    bool clipped = false;
    /// @param peak largest |sample| of the last `seconds`
    void add(double peak, double seconds);
};

struct LiveView {
    struct Mic {
        std::string name;
        PeakMeter meter;
        std::optional<bool> open; ///< of a mic with a gate
    };
    std::vector<Mic> mics;
    std::array<PeakMeter, 2> tracks;
    double seconds = 0.0, take_s = 0.0; ///< since the start, since the take began
    std::string take;                   ///< empty: nothing is recorded
    std::optional<double> reduction_db; ///< of the bus compressor, if there is one
    double loudness_lufs = kSilenceDb;
    std::optional<double> disk_left_s; ///< at this rate and number of mics, while something is recorded
    LiveReadings counts;
    CallbackTimes times;
    double block_us = 0.0;                ///< what the callback has
    std::vector<std::string> messages;    ///< the newest last
    std::optional<Soundcheck> soundcheck; ///< with as many mics; while there is one
};

/// At most 80 columns and 24 lines, for 1 to 32 mics. Lines end with a newline.
std::string screen_text(const LiveView& view);
/// One line, for a log.
std::string status_line(const LiveView& view);
dsp::Json status_json(const LiveView& view);

} // namespace kitfold::offline
