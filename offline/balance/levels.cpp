// Which levels may move, and what they become.
#include "offline/balance/balance.h"
#include "offline/check/words.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

using dsp::FaultKind;
using dsp::Role;

bool from_template(const Mic& mic, const std::vector<Preset>& presets) {
    return std::any_of(presets.begin(), presets.end(), [&](const Preset& preset) {
        const auto* kit = std::get_if<Session>(&preset.content);
        return kit != nullptr && std::any_of(kit->mics.begin(), kit->mics.end(), [&](const Mic& m) {
                   return m.role == mic.role && m.mix.level_db == mic.mix.level_db;
               });
    });
}

bool set_by_a_person(const Mic& mic, const std::vector<Preset>& presets) {
    if (mic.balanced_db) return mic.mix.level_db != *mic.balanced_db;
    return mic.mix.level_db != 0.0 && !from_template(mic, presets);
}

/// Why a mic stays as it is; empty: it doesn't.
std::string reason_to_stay(const Mic& mic, const std::vector<dsp::Fault>& faults,
                           const std::vector<Preset>& presets) {
    if (mic.mix.mute != 0.0) return "muted";
    for (const auto& fault : faults) {
        if (fault.kind == FaultKind::silent) return "silent: left alone";
        if (fault.kind == FaultKind::dropout) return "drops out: left alone";
        if (fault.kind == FaultKind::rate) return "of another rate: left alone";
        if (fault.kind == FaultKind::identical) return "the same as another mic: left alone";
    }
    if (set_by_a_person(mic, presets)) return "set by you: kept";
    if (mic.role == Role::other) return "no role: left alone";
    return {};
}

dsp::BalanceSettings target_of(const Session& session, const BalanceWish& wish,
                               const std::vector<Preset>& presets) {
    auto target = wish.target ? *wish.target
                  : session.balance
                      ? *session.balance
                      : std::get<dsp::BalanceSettings>(find_preset(presets, kDefaultBalance).content);
    if (wish.side) target.side = double(*wish.side);
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

std::vector<dsp::StereoGain> gains_of(const Session& session, double rate_hz) {
    dsp::PanMix mix;
    std::vector<dsp::StereoGain> gains;
    if (!mix.prepare(rate_hz, session.mics.size())) return gains;
    for (std::size_t m = 0; m < session.mics.size(); ++m) (void)mix.set(m, session.mics[m].mix);
    (void)mix.set(session.sum);
    mix.settle();
    for (std::size_t m = 0; m < session.mics.size(); ++m) gains.push_back(mix.gain(m));
    return gains;
}

std::vector<dsp::BalanceMic> mics_to_balance(const Session& session, std::span<const std::string> stays,
                                             double rate_hz) {
    auto at_0_db = session;
    for (auto& mic : at_0_db.mics) mic.mix.level_db = mic.mix.solo = 0.0;
    const auto gains = gains_of(at_0_db, rate_hz);
    std::vector<dsp::BalanceMic> mics;
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        auto& mic = mics.emplace_back(dsp::BalanceMic{session.mics[m].role, gains[m], {}});
        if (!stays[m].empty()) mic.fixed_db = session.mics[m].mix.level_db;
        if (session.mics[m].mix.level_db == dsp::kOffDb) mic.at_0_db = {};
    }
    return mics;
}

/// What 0 dB of the table is: the snare, or where the kick says that it would be.
double reference_lufs(const dsp::MeasuredBalance& measured, const dsp::BalanceSettings& target,
                      std::span<const dsp::StereoGain> gains) {
    if (measured.drums.empty()) return 0.0;
    const auto* strokes = measured.of(dsp::Drum::snare);
    if (strokes == nullptr) strokes = measured.of(dsp::Drum::kick);
    if (strokes == nullptr) strokes = &measured.drums.front();
    return dsp::stroke_lufs(*strokes, gains) - dsp::wanted_db(target, strokes->drum);
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

bool has_own_mic(const Session& session, std::span<const dsp::BalancedMic> mics, dsp::Drum drum) {
    for (std::size_t m = 0; m < mics.size(); ++m)
        if (mics[m].placed && dsp::own_drum(session.mics[m].role) == drum) return true;
    return false;
}

std::string how_words(const Session& session, std::span<const dsp::BalancedMic> mics,
                      const DrumBalance& row) {
    constexpr double kMissed_db = 1.0;
    auto out = shares_words(session, row.shares);
    if (std::abs(row.got_db - row.wanted_db) < kMissed_db) return out;
    if (!has_own_mic(session, mics, row.drum)) return out + "; no mic of its own to set it by";
    return out + (row.got_db > row.wanted_db ? "; the other mics bring too much of it"
                                             : "; its mic can't bring more");
}

std::string bound_words(const dsp::BalancedMic& mic) {
    if (mic.unheard) return "its drum was not struck: goes with the other close mics";
    if (!mic.at_bound) return {};
    return mic.level_db >= 12.0
               ? "as far up as a strip goes: recorded too low for its part"
               : fmt::format("at its bound, {:.0f} dB from what it would bring alone", dsp::kBalanceReach_db);
}

} // namespace

LevelBalance balance_levels(const Session& session, const dsp::Take& take, std::span<const dsp::Hit> hits,
                            std::span<const std::vector<dsp::Fault>> faults, const BalanceWish& wish,
                            const std::vector<Preset>& presets, const std::function<void(double)>& progress) {
    LevelBalance out;
    out.target = target_of(session, wish, presets);
    out.session = session;
    set_image(out.session, out.target);
    std::vector<std::string> stays;
    std::vector<dsp::MicStrip> strips;
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        const auto& mic = session.mics[m];
        stays.push_back(reason_to_stay(mic, faults[m], presets));
        strips.push_back({mic.mix, mic.kick, mic.gate, mic.damp});
    }
    const auto measured = dsp::measure_balance(take, hits, strips, session.bleed, progress);
    const auto solved =
        dsp::solve_balance(measured, mics_to_balance(out.session, stays, take.rate_hz), out.target);
    for (std::size_t m = 0; m < session.mics.size(); ++m) {
        auto& mic = out.session.mics[m];
        if (solved.mics[m].placed) mic.mix.level_db = solved.mics[m].level_db;
        if (solved.mics[m].placed) mic.balanced_db = mic.mix.level_db;
        out.mics.push_back({session.mics[m].mix.level_db, mic.mix.level_db,
                            stays[m].empty() ? bound_words(solved.mics[m]) : stays[m]});
    }
    const auto now = gains_of(session, take.rate_hz), got = gains_of(out.session, take.rate_hz);
    const double now_lufs = reference_lufs(measured, out.target, now);
    const double got_lufs = reference_lufs(measured, out.target, got);
    for (const auto& strokes : measured.drums) {
        DrumBalance row{strokes.drum,
                        strokes.strokes,
                        0.0,
                        dsp::wanted_db(out.target, strokes.drum),
                        0.0,
                        0.0,
                        dsp::stroke_shares(strokes, got),
                        {}};
        row.got_lufs = dsp::stroke_lufs(strokes, got);
        row.now_db = dsp::stroke_lufs(strokes, now) - now_lufs;
        row.got_db = row.got_lufs - got_lufs;
        row.how = how_words(session, solved.mics, row);
        out.drums.push_back(std::move(row));
    }
    return out;
}

} // namespace kitfold::offline
