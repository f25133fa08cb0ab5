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
    /// Of cymbals: struck as often as a hi-hat or a ride is, so that they are taken for one.
    bool keeps_time = false;
};

struct MeasuredBalance {
    std::size_t mics = 0;
    std::vector<StrokePower> drums; ///< those that are struck, in the order of Drum
    [[nodiscard]] const StrokePower* of(Drum drum) const noexcept; ///< nullptr: never struck
};

/// Which strokes speak for a drum: not those 10 dB under their mean (the gate of ITU-R BS.1770-4, so that
/// ghost notes don't count); first those that nothing as heavy falls into. What sounds together with a stroke
/// is left out of it by its own close mics; what rang before goes on as it was falling, and is none of the
/// stroke's. A drum with a mic of its own is as loud as all its strokes are there on the mean. Of at most 32
/// strokes the middle half by power counts, so that a wrong hit changes nothing. Levels, pans, mutes and the
/// bus of the strips are not looked at.
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
    bool anchors = false;           ///< the fixed level is a person's wish: the whole is to meet it
};

/// No strip is raised more than this over what it was recorded at (nor by more than it against the mics of
/// kick and snare), or lowered more: beyond that the preamp was wrong, and noise and bleed come up with the
/// drum (common practice, no source).
inline constexpr double kMostUp_db = 12.0, kMostDown_db = 30.0;
/// A close mic on a skin brings no less than this re the whole of its drum, alone: however loud the drum is
/// in the other mics, its lows and its stick are in this one (common practice, no source; 6 dB is a quarter
/// of the power).
inline constexpr double kSkinLeast_db = -6.0;
/// The overheads make way for kick and snare by up to this, where that brings these to their part, and are
/// raised over the target's bed by no more for drums without a mic of their own: beyond that the kit is heard
/// from afar, and what is missing is a mic (common practice, no source).
inline constexpr double kMakeWay_db = 6.0, kMostOverBed_db = 6.0;
/// Two overheads, or two rooms, are set against each other by no more than this, so that snare (or kick) sits
/// in the middle: more is a mic that stands elsewhere, not another preamp (common practice, no source).
inline constexpr double kMostUneven_db = 6.0;

enum class BalanceBound { none, up, down, part }; ///< part: kSkinLeast_db

struct BalancedMic {
    double level_db = 0.0;                   ///< not rounded; -30..12 if placed
    bool placed = false;                     ///< false: it stays as fixed
    BalanceBound bound = BalanceBound::none; ///< at which it stopped
    bool unheard = false; ///< its drum was never struck: it stays at 0 dB re the mics of kick and snare
};

struct Balance {
    std::vector<BalancedMic> mics;
    bool anchored =
        false; ///< an audible mic that anchors says how loud the whole is; if not, all may be moved alike
};

/// The levels at which every drum comes to the target, all mics that hear it together, in the order of an
/// engineer: rooms and overheads come first, the two of a pair even on the snare; then each drum's own mics
/// bring exactly what is missing of it (kick out and snare bottom at the target's distance from their
/// partners), each in turn until all hold. The overheads' level is the one at which the drums without a mic
/// of their own miss their parts by the least sum of squares in dB, no more than kMostOverBed_db over the
/// target's bed; where every drum that is struck has one, they are the bed. From there they make way for kick
/// and snare. Kick and snare mics are at 0 dB on the mean; where a fixed level anchors, the whole moves to
/// meet it.
Balance solve_balance(const MeasuredBalance& measured, std::span<const BalanceMic> mics,
                      const BalanceSettings& target);

/// Loudness of a drum's strokes that some mics bring without the others, LUFS; -inf for silence.
double stroke_lufs(const StrokePower& strokes, std::span<const StereoGain> gains,
                   std::span<const std::size_t> mics);

/// What a drum's strokes lose when both sides are added, dB: as StereoFigures of the whole submix.
double stroke_mono_loss_db(const StrokePower& strokes, std::span<const StereoGain> gains);

/// Where some mics place a drum, -1..1: the pan of a single mic at which left and right are as far apart.
/// Nothing where they don't bring it. @param law as for pan_gain()
std::optional<double> stroke_pan(const StrokePower& strokes, std::span<const StereoGain> gains,
                                 std::span<const std::size_t> mics, PanLaw law);

/// What a drum is to have re the snare.
double wanted_db(const BalanceSettings& target, const StrokePower& strokes) noexcept;

} // namespace kitfold::dsp
