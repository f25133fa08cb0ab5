#pragma once
// Levels of all strips from what each drum's strokes bring in every mic: measured once, then solved without
// listening again. All functions are pure; they allocate and are not for the audio thread.
#include "mix/kit_mix.h"
#include "take/take.h"
#include <functional>
#include <optional>
#include <span>
#include <vector>

namespace kitfold::dsp {

/// A stroke is heard from 10 ms before its first arrival for 150 ms: the ear adds up loudness over some 100
/// to 200 ms (common practice, no source).
inline constexpr double kStrokeBefore_ms = 10.0, kStroke_ms = 150.0;

/// Mean K-weighted power of one drum's strokes as they leave the strips, before level and pan: of every mic,
/// and of what every two mics have in common. Full scale squared is 1.
struct StrokePower {
    Drum drum = Drum::kick;
    std::size_t strokes = 0;
    std::vector<double> power; ///< mics x mics, symmetric, row by row
};

struct MeasuredBalance {
    std::size_t mics = 0;
    std::vector<StrokePower> drums; ///< those that are struck, in the order of Drum
    [[nodiscard]] const StrokePower* of(Drum drum) const noexcept; ///< nullptr: never struck
};

/// Which strokes speak for a drum: not those 10 dB under their mean (the gate of ITU-R BS.1770-4, so that
/// ghost notes don't count); first those that nothing else falls into. A drum that is only ever struck
/// together with a louder one is measured without the other drums' close mics. Of at most 16 strokes the
/// middle half by power counts, so that a wrong hit changes nothing. Levels, pans, mutes and the bus of the
/// strips are not looked at.
/// @pre strips: one per mic, in range  @param progress share done
MeasuredBalance measure_balance(const Take& take, std::span<const Hit> hits, std::span<const MicStrip> strips,
                                const KitKeyTable& table = {},
                                const std::function<void(double)>& progress = {});

/// Loudness of a drum's strokes in the sum, LUFS (ITU-R BS.1770-4, ungated); -inf for silence.
/// @param gains one per mic: level, pan and width
double stroke_lufs(const StrokePower& strokes, std::span<const StereoGain> gains);

/// Share of each mic in the power of a drum in the sum; they add up to 1. Negative: the mic takes away.
std::vector<double> stroke_shares(const StrokePower& strokes, std::span<const StereoGain> gains);

/// One mic to be balanced.
struct BalanceMic {
    Role role = Role::other;
    StereoGain at_0_db;             ///< pan and width; {0, 0}: muted
    std::optional<double> fixed_db; ///< a level that stays; role `other` must have one, or be muted
};

/// Kick and snare (as the target has them) reach this loudness per stroke before the bus: there a threshold
/// of -18 dBFS takes a few dB off the loudest. Common practice, no source.
inline constexpr double kStrokeLufs = -24.0;
/// How far a strip may go from the level at which its mic alone would bring its part.
inline constexpr double kBalanceReach_db = 12.0;
/// A close mic on a skin goes no farther down than this: however loud its drum is in the other mics, its lows
/// and its stick are in this one alone (common practice, no source).
inline constexpr double kSkinReachDown_db = 6.0;
/// Overheads and rooms are set against each other by no more than this, so that kick or snare sit in the
/// middle: more is a mic that stands elsewhere, not another preamp (common practice, no source).
inline constexpr double kMostUneven_db = 6.0;

struct BalancedMic {
    double level_db = 0.0; ///< in 0.1 dB, -90..12
    bool placed = false;   ///< false: it stays as fixed
    bool at_bound = false; ///< it would have had to go farther
    bool unheard = false;  ///< its drum was never struck: it goes with the other close mics
};

struct Balance {
    std::vector<BalancedMic> mics;
    double snare_lufs = kStrokeLufs; ///< what 0 dB of the target came to
};

/// The levels at which every drum comes nearest to the target, all mics that hear it together: damped
/// Gauss-Newton on loudness in dB. What it may be missed by, in dB, says how dear each wish is: 0.5 for a
/// drum with a mic of its own, 3 for one without; 6 for what the overheads bring of the skins (nothing,
/// where a skin has no mic but them: they carry the kit); 1 for what the rooms bring; 1 for kick out and
/// snare bottom re their partners; 1 for the two overheads, and the two rooms, to be even on the snare (or
/// kick). Where levels are fixed, the whole moves to meet them.
Balance solve_balance(const MeasuredBalance& measured, std::span<const BalanceMic> mics,
                      const BalanceSettings& target);

/// What a drum is to have re the snare.
double wanted_db(const BalanceSettings& target, Drum drum) noexcept;

} // namespace kitfold::dsp
