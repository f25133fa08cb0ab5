#pragma once
// Do these mics work together, and what to fix before the drummer goes home.
#include "bleed/bleed.h"
#include "faults/changes.h"
#include "faults/faults.h"
#include "faults/patching.h"
#include "hits/hits.h"
#include "mix/worth.h"
#include "offline/check/gain_advice.h"
#include "offline/check/kit_gates.h"
#include "offline/session/session.h"
#include "pairs/fixes.h"
#include "pairs/image.h"
#include "ring/ring_table.h"
#include <array>
#include <functional>
#include <string>
#include <vector>

namespace kitfold::offline {

inline constexpr std::size_t kStripColumns = 480; ///< of a mic's level strip

struct CheckedMic {
    dsp::MicLevels levels;
    double true_peak_dbtp = -200.0;
    std::optional<GainAdvice> gain;
    std::vector<dsp::Fault> faults;
    std::vector<float> strip; ///< largest |sample| in each of kStripColumns parts of the take
    [[nodiscard]] bool has_signal() const noexcept { return levels.peak_dbfs > -150.0; }
};

/// Two mics of one drum around one typical hit, for the eye: level is 1 at each mic's own peak.
struct Overlay {
    std::size_t pair = 0; ///< index in pairs
    double start_ms = 0.0, step_ms = 0.0;
    std::vector<float> a, b;             ///< as the session sets them now
    std::vector<float> a_fixed, b_fixed; ///< after the fix
};

/// What --apply writes for one mic, where it differs from the session.
struct MicFix {
    std::size_t mic = 0;
    bool inverted = false;
    double delay_ms = 0.0;
    bool flips = false, moves = false; ///< which of the two is new
    std::size_t pair = 0;              ///< that gains most by it, index in pairs
};

struct CheckResult {
    /// Where the range begins in the take. Times count from there; what is shown counts from the take's
    /// beginning.
    double from_s = 0.0;
    double rate_hz = 48'000.0, seconds = 0.0;
    std::vector<dsp::TakeMic> names; ///< the mics, in the order of the session
    std::vector<CheckedMic> mics;
    std::vector<dsp::Hit> hits;
    std::vector<dsp::Pair> pairs;
    std::vector<dsp::PairSum> sums; ///< of each pair
    std::vector<dsp::ShiftedFile> shifted;
    std::vector<dsp::TakeChange> changes; ///< within the take
    std::vector<dsp::Bleed> bleed;
    std::vector<dsp::DrumRing> rings;
    dsp::Image image;
    std::vector<dsp::Worth> worth; ///< with the fixes in place
    double loudness_lufs = 0.0;    ///< of the sum without bus compressor; -inf under the gate
    std::vector<Overlay> overlays;
    std::vector<MicFix> fixes;
    dsp::LearnedKitKey kit_key;       ///< with the fixes in place
    std::vector<KitGate> gates;       ///< what it means for the session's gates
    std::vector<std::string> notices; ///< what else an engineer should know

    /// Wiring that is upside down but sums no better when turned is a note, nothing to fix.
    [[nodiscard]] bool nothing_to_fix() const;
    [[nodiscard]] const MicFix* fix_of(std::size_t mic) const; ///< nullptr: the mic stays as it is
    /// Two close mics sound exchanged, so that every other figure stands under a wrong name.
    [[nodiscard]] bool names_exchanged() const;
};

/// The session as the fixes leave it.
Session with_fixes(Session session, const std::vector<MicFix>& fixes);

/// Listens to every mic of the session. Two threads; reads each file once and some excerpts again, so that
/// memory grows with the length by some 10 MB per mic and four minutes only.
/// @param progress share done, 0..1, called now and then from one thread at a time
/// Throws Error as TakeFiles does. Takes that can't be judged (silence, noise, one hit) give empty lists, not
/// errors.
CheckResult check(const Session& session, const std::function<void(double)>& progress = {});

} // namespace kitfold::offline
