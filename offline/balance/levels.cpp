// Which levels may move, and what they become.
#include "core/units.h"
#include "offline/balance/balance.h"
#include "offline/check/words.h"
#include "offline/session/strips.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

using dsp::FaultKind;
using dsp::Role;

bool from_template(const Mic& mic, const std::vector<Preset>& presets, double dsp::MicSettings::*member) {
    return std::any_of(presets.begin(), presets.end(), [&](const Preset& preset) {
        const auto* kit = std::get_if<Session>(&preset.content);
        return kit != nullptr && std::any_of(kit->mics.begin(), kit->mics.end(), [&](const Mic& m) {
                   return m.role == mic.role && m.mix.*member == mic.mix.*member;
               });
    });
}

bool set_by_a_person(const Mic& mic, const std::vector<Preset>& presets) {
    if (mic.balanced_db) return mic.mix.level_db != *mic.balanced_db;
    return mic.mix.level_db != 0.0 && !from_template(mic, presets, &dsp::MicSettings::level_db);
}

bool panned_by_a_person(const Mic& mic, const std::vector<Preset>& presets) {
    if (mic.balanced_pan) return mic.mix.pan != *mic.balanced_pan;
    auto mirrored = mic;
    mirrored.mix.pan = 0.0 - mic.mix.pan;
    return mic.mix.pan != 0.0 && !from_template(mic, presets, &dsp::MicSettings::pan) &&
           !from_template(mirrored, presets, &dsp::MicSettings::pan);
}

/// Why a mic stays as it is.
struct Stay {
    std::string reason;   ///< empty: it doesn't
    bool by_wish = false; ///< a person's
    bool nothing = false; ///< there is nothing to hear in it
};

Stay reason_to_stay(const Mic& mic, const std::vector<dsp::Fault>& faults, bool all_low,
                    const std::vector<Preset>& presets) {
    if (mic.mix.mute) return {"muted", false, true};
    if (mic.mix.level_db == dsp::kOffDb) return {"turned off by you: kept", false, true};
    for (const auto& fault : faults) {
        if (fault.kind == FaultKind::silent) return {"silent: left alone", false, true};
        if (fault.kind == FaultKind::dropout) return {"drops out: left alone"};
        if (fault.kind == FaultKind::crackle) return {"crackles: left alone"};
        if (fault.kind == FaultKind::rate) return {"of another rate: left alone", false, true};
        if (fault.kind == FaultKind::identical) return {"the same as another mic: left alone"};
        if (fault.kind == FaultKind::low_level && !all_low)
            return {"recorded too low to be raised, turn its preamp up: left alone"};
    }
    if (set_by_a_person(mic, presets)) return {"set by you: kept", true};
    if (mic.role == Role::other) return {"no role: left alone"};
    return {};
}

/// A whole take that was recorded low is no fault of one mic.
bool all_low(std::span<const std::vector<dsp::Fault>> faults) {
    return std::all_of(faults.begin(), faults.end(), [](const auto& of_mic) {
        return std::any_of(of_mic.begin(), of_mic.end(), [](const dsp::Fault& fault) {
            return fault.kind == FaultKind::low_level || fault.kind == FaultKind::silent;
        });
    });
}

std::vector<Stay> stays_of(const Session& session, std::span<const std::vector<dsp::Fault>> faults,
                           const std::vector<Preset>& presets) {
    std::vector<Stay> out;
    for (std::size_t m = 0; m < session.mics.size(); ++m)
        out.push_back(reason_to_stay(session.mics[m], faults[m], all_low(faults), presets));
    return out;
}

dsp::BalanceSettings target_of(const Session& session, const BalanceWish& wish,
                               const std::vector<Preset>& presets) {
    auto target =
        wish.target ? *wish.target
        : session.balance
            ? *session.balance
            : std::get<dsp::BalanceSettings>(find_preset(presets, kDefaultBalance, "balance").content);
    if (wish.side) target.side = *wish.side;
    return target;
}

/// Widths of the pairs where nobody has chosen others, and left and right from where they are to be seen.
void set_image(Session& session, const dsp::BalanceSettings& target) {
    const dsp::BalanceSettings was = session.balance.value_or(dsp::BalanceSettings{});
    if (session.sum.overhead_width == was.overhead_width) session.sum.overhead_width = target.overhead_width;
    if (session.sum.room_width == was.room_width) session.sum.room_width = target.room_width;
    if (was.side != target.side)
        for (auto& mic : session.mics) mic.mix.pan = 0.0 - mic.mix.pan;
    session.balance = target;
}

std::vector<dsp::BalanceMic> mics_to_balance(const Session& session, std::span<const Stay> stays,
                                             double rate_hz) {
    auto at_0_db = session;
    for (auto& mic : at_0_db.mics) mic.mix.level_db = 0.0, mic.mix.solo = false;
    const auto gains = gains_of(at_0_db, rate_hz);
    std::vector<dsp::BalanceMic> mics;
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        auto& mic = mics.emplace_back(dsp::BalanceMic{session.mics[m].role, gains[m], {}, stays[m].by_wish});
        if (!stays[m].reason.empty()) mic.fixed_db = session.mics[m].mix.level_db;
        if (stays[m].nothing) mic.at_0_db = {};
    }
    return mics;
}

std::vector<std::size_t> mics_with(const Session& session, std::span<const dsp::BalanceMic> mics,
                                   auto&& fits) {
    std::vector<std::size_t> out;
    for (std::size_t m = 0; m < mics.size(); ++m)
        if (fits(session.mics[m].role) && (mics[m].at_0_db.left != 0.0 || mics[m].at_0_db.right != 0.0))
            out.push_back(m);
    return out;
}

/// The pan that a template has for the role, on this side; 0 where none has one.
double template_pan(Role role, const dsp::BalanceSettings& target, const std::vector<Preset>& presets) {
    const bool listener = target.side == dsp::Side::listener;
    for (const auto& preset : presets)
        if (const auto* kit = std::get_if<Session>(&preset.content))
            for (const auto& mic : kit->mics)
                if (mic.role == role && mic.mix.pan != 0.0) return listener ? -mic.mix.pan : mic.mix.pan;
    return 0.0;
}

/// Close mics of toms, hi-hat and ride go to where the pair of overheads hears their drum, if that is farther
/// out than where the template has it: two mics apart tell by time as well, which the levels don't show. Kick
/// and snare stay where they are.
void set_pans(Session& session, std::span<const char> free_pans, const dsp::MeasuredBalance& measured,
              std::span<const dsp::BalanceMic> mics, const dsp::Balance& solved,
              const std::vector<Preset>& presets) {
    const auto pair = mics_with(session, mics,
                                [](Role r) { return r == Role::overhead_left || r == Role::overhead_right; });
    if (pair.size() != 2) return;
    std::vector<dsp::StereoGain> gains;
    for (std::size_t m = 0; m < mics.size(); ++m) {
        const double gain = dsp::gain_from_db(solved.mics[m].level_db);
        gains.push_back({gain * mics[m].at_0_db.left, gain * mics[m].at_0_db.right});
    }
    for (std::size_t m = 0; m < mics.size(); ++m) {
        const auto drum = dsp::own_drum(session.mics[m].role);
        const auto* strokes = drum && free_pans[m] != 0 ? measured.of(*drum) : nullptr;
        if (strokes == nullptr) continue;
        const double usual = template_pan(session.mics[m].role, *session.balance, presets);
        const double heard = dsp::stroke_pan(*strokes, gains, pair, session.sum.pan_law_db).value_or(usual);
        session.mics[m].mix.pan =
            std::round((std::abs(heard) > std::abs(usual) ? heard : usual) * 100.0) / 100.0 + 0.0;
        session.mics[m].balanced_pan = session.mics[m].mix.pan;
    }
}

/// Mics whose pan the balance may set.
std::vector<char> free_pans(const Session& session, const std::vector<Preset>& presets) {
    std::vector<char> out;
    for (const auto& mic : session.mics) {
        const auto drum = dsp::own_drum(mic.role);
        const bool aside = drum && *drum != dsp::Drum::kick && *drum != dsp::Drum::snare;
        out.push_back(aside && !panned_by_a_person(mic, presets));
    }
    return out;
}

/// What 0 dB of the table is: the snare, or where the kick says that it would be.
double reference_lufs(const dsp::MeasuredBalance& measured, const dsp::BalanceSettings& target,
                      std::span<const dsp::StereoGain> gains) {
    if (measured.drums.empty()) return 0.0;
    const auto* strokes = measured.of(dsp::Drum::snare);
    if (strokes == nullptr) strokes = measured.of(dsp::Drum::kick);
    if (strokes == nullptr) strokes = &measured.drums.front();
    return dsp::stroke_lufs(*strokes, gains) - dsp::wanted_db(target, *strokes);
}

/// "kick in 61 %, overheads 12 %": who brings it, the largest shares first.
std::string shares_words(const Session& session, std::span<const double> shares) {
    constexpr double kLeast = 0.05;
    std::vector<std::pair<double, std::string>> parts;
    double overheads = 0.0, rooms = 0.0;
    for (std::size_t m = 0; m < shares.size(); ++m) {
        if (dsp::is_overhead(session.mics[m].role))
            overheads += shares[m];
        else if (dsp::is_room(session.mics[m].role))
            rooms += shares[m];
        else
            parts.emplace_back(shares[m], session.mics[m].name);
    }
    parts.emplace_back(overheads, "overheads"), parts.emplace_back(rooms, "rooms");
    std::stable_sort(parts.begin(), parts.end(),
                     [](const auto& a, const auto& b) { return std::abs(a.first) > std::abs(b.first); });
    std::string out;
    for (const auto& [share, name] : parts)
        if (std::abs(share) >= kLeast)
            out += fmt::format("{}{} {:.0f} %", out.empty() ? "" : ", ", name, 100.0 * share);
    return out;
}

/// What the table can say of a drum that missed its part.
std::string missed_words(const Session& session, std::span<const dsp::BalancedMic> mics,
                         const DrumBalance& row) {
    constexpr double kMissed_db = 1.0;
    if (std::abs(row.got_db - row.wanted_db) < kMissed_db) return {};
    const bool over = row.got_db > row.wanted_db;
    bool has_own = false;
    for (std::size_t m = 0; m < mics.size(); ++m)
        has_own = has_own || (mics[m].placed && dsp::own_drum(session.mics[m].role) == row.drum);
    if (!has_own)
        return over ? "; no mic of its own, and the others bring so much"
                    : "; no mic of its own, and the others bring no more";
    if (!over) return "; its mic can't bring more";
    return fmt::format("; the other mics alone bring it to {:+.1f}: a gate or a filter there", row.others_db);
}

std::string bound_words(const dsp::BalancedMic& mic) {
    if (mic.unheard) return "its drum was not struck: as recorded";
    switch (mic.bound) {
    case dsp::BalanceBound::up:
        return fmt::format("no mic is raised by more than {:.0f} dB: recorded too low for its part",
                           dsp::kMostUp_db);
    case dsp::BalanceBound::down:
        return fmt::format("no mic is lowered by more than {:.0f} dB: the others bring its part",
                           dsp::kMostDown_db);
    case dsp::BalanceBound::part:
        return fmt::format("no lower: it keeps {:.0f} dB of its drum's part", dsp::kSkinLeast_db);
    default:
        return {};
    }
}

/// The drums before and after.
void add_rows(LevelBalance& out, const Session& before, const dsp::MeasuredBalance& measured,
              const dsp::Balance& solved, double rate_hz) {
    const auto now = gains_of(before, rate_hz), got = gains_of(out.session, rate_hz);
    const double now_lufs = reference_lufs(measured, out.target, now);
    const double got_lufs = reference_lufs(measured, out.target, got);
    for (const auto& strokes : measured.drums) {
        auto& row = out.drums.emplace_back();
        row.drum = strokes.drum, row.strokes = strokes.strokes;
        row.wanted_db = dsp::wanted_db(out.target, strokes);
        row.shares = dsp::stroke_shares(strokes, got);
        row.got_lufs = dsp::stroke_lufs(strokes, got);
        row.now_db = dsp::stroke_lufs(strokes, now) - now_lufs;
        row.got_db = row.got_lufs - got_lufs;
        std::vector<std::size_t> others;
        for (std::size_t m = 0; m < got.size(); ++m)
            if (dsp::own_drum(before.mics[m].role) != strokes.drum) others.push_back(m);
        row.others_db = dsp::stroke_lufs(strokes, got, others) - got_lufs;
        row.mono_loss_db = dsp::stroke_mono_loss_db(strokes, got);
        row.how = shares_words(before, row.shares) + missed_words(before, solved.mics, row);
    }
}

} // namespace

LevelBalance balance_levels(const Session& session, const dsp::Take& take, std::span<const dsp::Hit> hits,
                            std::span<const std::vector<dsp::Fault>> faults, const BalanceWish& wish,
                            const std::vector<Preset>& presets, const std::function<void(double)>& progress) {
    LevelBalance out;
    out.target = target_of(session, wish, presets);
    out.session = session;
    const auto pans = free_pans(session, presets);
    set_image(out.session, out.target);
    const auto stays = stays_of(session, faults, presets);
    const auto measured =
        dsp::measure_balance(take, hits, mix_settings(session).strips, session.bleed, progress);
    const auto solve = [&] {
        return dsp::solve_balance(measured, mics_to_balance(out.session, stays, take.rate_hz), out.target);
    };
    for (std::size_t m = 0; m < pans.size(); ++m)
        if (pans[m] != 0) // what it was decides nothing
            out.session.mics[m].mix.pan = template_pan(session.mics[m].role, out.target, presets);
    set_pans(out.session, pans, measured, mics_to_balance(out.session, stays, take.rate_hz), solve(),
             presets);
    const auto solved = solve();
    out.anchored = solved.anchored;
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        auto& mic = out.session.mics[m];
        if (solved.mics[m].placed) mic.mix.level_db = dsp::to_tenths(solved.mics[m].level_db);
        if (solved.mics[m].placed) mic.balanced_db = mic.mix.level_db;
        out.mics.push_back({session.mics[m].mix.level_db, mic.mix.level_db, mic.mix.pan,
                            stays[m].reason.empty() ? bound_words(solved.mics[m]) : stays[m].reason});
    }
    add_rows(out, session, measured, solved, take.rate_hz);
    return out;
}

} // namespace kitfold::offline
