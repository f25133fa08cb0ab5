#pragma once
// The levels of a session's strips, from what was measured after filters, gates and fixes.
#include "faults/faults.h"
#include "mix/balance.h"
#include "offline/bounce/bounce.h"
#include "offline/check/apply_fixes.h"
#include "offline/session/presets.h"
#include "offline/session/session.h"
#include <functional>
#include <optional>
#include <span>
#include <string>
#include <vector>

namespace kitfold::offline {

/// The preset that is taken where nobody names one.
inline constexpr const char* kDefaultBalance = "balance_close";

/// What the balance is to be.
struct BalanceWish {
    std::optional<dsp::BalanceSettings> target; ///< none: the session's own, else kDefaultBalance
    std::optional<dsp::Side> side;              ///< none: the target's
};

/// From a command's options. @param balance name of a preset, or a file like one (it has a slash or ends in
/// .json); empty: none  @param side "drummer", "listener" or empty. Throws Error, bad_input.
BalanceWish balance_wish(const std::string& balance, const std::string& side,
                         const std::vector<Preset>& presets);

struct DrumBalance {
    dsp::Drum drum = dsp::Drum::kick;
    std::size_t strokes = 0;
    /// K-weighted, per stroke, re the snare, or re where the kick, else the first drum, says it would be.
    double now_db = 0.0, wanted_db = 0.0, got_db = 0.0;
    double got_lufs = 0.0;      ///< before the bus, with the levels as they are
    double others_db = 0.0;     ///< as got_db, of the mics that are not its own
    double mono_loss_db = 0.0;  ///< when both sides are added
    std::vector<double> shares; ///< of each mic in what it got
    std::string how;            ///< for a person
};

struct MicBalance {
    double now_db = 0.0, level_db = 0.0, pan = 0.0;
    std::string note; ///< why it stays, or what it could not reach; empty: neither
};

struct LevelBalance {
    dsp::BalanceSettings target;
    std::vector<DrumBalance> drums; ///< those that are struck
    std::vector<MicBalance> mics;
    bool anchored = false; ///< a level of a person's says how loud the whole is
    Session session;       ///< with the new levels, pans and widths; bus and output as they were
};

/// Levels, from a take that is open already. Depends on no level of the session but those that stay: so the
/// same again, and after it was written. A level stays that a person has set (one that is neither 0, nor a
/// template's for this role, nor what a balance wrote), of a muted mic, of role `other`, and of a mic whose
/// recording is no good. Close mics of toms, hi-hat and ride are panned as the template has them, or to where
/// the overheads hear their drum when that is farther out; not where a person has panned them.
/// @param faults of each mic  @param presets for the templates' levels and kDefaultBalance
/// Throws Error, bad_input, when the target is kDefaultBalance and is not among the presets.
LevelBalance balance_levels(const Session& session, const dsp::Take& take, std::span<const dsp::Hit> hits,
                            std::span<const std::vector<dsp::Fault>> faults, const BalanceWish& wish,
                            const std::vector<Preset>& presets,
                            const std::function<void(double)>& progress = {});

/// Loudness and true peak that the output is set for.
inline constexpr double kOutputLufs = -16.0, kOutputPeakDbtp = -1.0;
/// The sum peaks at this before the bus: headroom for a harder stroke, in the stems too (common practice, no
/// source).
inline constexpr double kSumPeakDbtp = -6.0;
/// The bus takes this off the loudest stroke, so that loud ones lose 2 to 4 dB (common practice of a
/// submix, no source).
inline constexpr double kBusReduction_db = 4.0;

struct OutputBalance {
    double now_db = 0.0, level_db = 0.0;
    StereoFigures figures;         ///< of the submix with that level
    std::optional<BusFigures> bus; ///< when the session has a bus
    std::string note;              ///< what could not be reached together, or why the level stays
    std::string bus_note;          ///< its threshold: set, or kept
};

/// Mixes the session without writing it: moves all levels alike until the sum peaks at kSumPeakDbtp (not
/// where one is anchored, and no strip beyond kMostUp_db), sets the threshold of the bus for
/// kBusReduction_db, then the output level for kOutputLufs, or as near as kOutputPeakDbtp allows. What a
/// person has set stays. Throws Error as bounce() does.
OutputBalance set_output(LevelBalance& levels, const std::vector<Preset>& presets,
                         const std::function<void(double)>& progress = {});

/// balance_levels() of a take that is not open yet. Throws Error as TakeFiles does.
/// @param notices what an engineer should know of the files
LevelBalance balance_of_levels(const Session& session, const BalanceWish& wish,
                               const std::vector<Preset>& presets,
                               const std::function<void(double)>& progress = {},
                               std::vector<std::string>* notices = nullptr);

struct BalanceResult {
    LevelBalance levels;
    OutputBalance output;
    std::vector<std::string> notices;
};

/// All of it: listens to the take, levels, output. `levels.session` has everything. Throws Error as TakeFiles
/// and bounce() do.
BalanceResult balance(const Session& session, const BalanceWish& wish, const std::vector<Preset>& presets,
                      const std::function<void(double)>& progress = {});

/// Writes what a balance set into the session's file, nothing else; the old file is kept beside it, as by
/// keep_backup(). Returns the backup, or nothing when the file says all that already. Throws Error: bad_input
/// when the file is not the session that was listened to any more, io_failed.
std::optional<std::filesystem::path> apply_balance(const Session& listened_to, const Session& balanced,
                                                   Backup backup = Backup::keep);

} // namespace kitfold::offline
