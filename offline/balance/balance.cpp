#include "offline/balance/balance.h"
#include "hits/hits.h"
#include "offline/check/apply_fixes.h"
#include "offline/check/mic_faults.h"
#include "offline/session/take_files.h"
#include "offline/util/errors.h"
#include "offline/util/progress.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

bool output_set_by_a_person(const Session& session) {
    if (session.balanced_output_db) return session.output.level_db != *session.balanced_output_db;
    return session.output.level_db != 0.0;
}

bool threshold_set_by_a_person(const Session& session, const std::vector<Preset>& presets) {
    if (session.balanced_threshold_db) return session.bus->threshold_db != *session.balanced_threshold_db;
    return std::none_of(presets.begin(), presets.end(), [&](const Preset& preset) {
        const auto* kit = std::get_if<Session>(&preset.content);
        return kit != nullptr && kit->bus == session.bus;
    });
}

/// The bus with thresholds all over its range: the take itself tells what each takes off.
std::vector<dsp::BusSettings> trials_of(const Session& session) {
    constexpr double kLowest_db = -60.0, kStep_db = 4.0; // half a knee: what lies between is near a line
    std::vector<dsp::BusSettings> out;
    for (double threshold_db = kLowest_db; threshold_db <= 0.0; threshold_db += kStep_db) {
        out.push_back(*session.bus);
        out.back().threshold_db = threshold_db;
    }
    return out;
}

/// The threshold at which the loudest stroke loses kBusReduction_db, from trials in rising order.
double threshold_for(const std::vector<dsp::BusSettings>& trials, const std::vector<BusFigures>& found) {
    std::size_t n = 0;
    while (n + 1 < trials.size() && found[n + 1].largest_reduction_db >= kBusReduction_db) ++n;
    const double above = found[n].largest_reduction_db - kBusReduction_db;
    if (n + 1 == trials.size() || above <= 0.0) return trials[n].threshold_db;
    const double share = above / (found[n].largest_reduction_db - found[n + 1].largest_reduction_db);
    return trials[n].threshold_db + share * (trials[n + 1].threshold_db - trials[n].threshold_db);
}

/// All levels that a balance set, moved alike.
void move_all(LevelBalance& levels, double by_db) {
    for (std::size_t m = 0; m < levels.mics.size(); ++m) {
        auto& mic = levels.session.mics[m];
        if (!mic.balanced_db || *mic.balanced_db != mic.mix.level_db) continue;
        levels.mics[m].level_db = mic.mix.level_db =
            std::max(dsp::to_tenths(mic.mix.level_db + by_db), -dsp::kMostDown_db);
        mic.balanced_db = mic.mix.level_db;
    }
    for (auto& drum : levels.drums) drum.got_lufs += by_db;
}

/// By how much they may all be moved so that the sum peaks where it should.
double move_for(const LevelBalance& levels, double peak_dbtp) {
    if (levels.anchored || !std::isfinite(peak_dbtp)) return 0.0;
    double most = -dsp::kMostDown_db;
    for (const auto& mic : levels.session.mics)
        if (mic.balanced_db && *mic.balanced_db == mic.mix.level_db) most = std::max(most, mic.mix.level_db);
    return std::floor(10.0 * std::min(kSumPeakDbtp - peak_dbtp, dsp::kMostUp_db - most)) / 10.0;
}

/// The bus as it should be for a sum that was measured without it. @param moved_db since
void set_bus(Session& session, const std::vector<dsp::BusSettings>& trials,
             const std::vector<BusFigures>& found, double moved_db, OutputBalance& out) {
    session.bus->threshold_db =
        std::clamp(dsp::to_tenths(threshold_for(trials, found) + moved_db), -60.0, 0.0);
    session.balanced_threshold_db = session.bus->threshold_db;
    out.bus_note = fmt::format("threshold {:.1f} dB", session.bus->threshold_db);
}

/// What a balance set: levels, pans, widths, bus, output, and that it was the balance that set them.
void write_balance(const Session& balanced, dsp::Json& json) {
    const auto written = dsp::parse_json(to_json_text(balanced));
    const auto take = [](dsp::Json& object, const dsp::Json& from, std::initializer_list<const char*> keys) {
        for (const char* key : keys)
            if (from.contains(key)) object[key] = from[key];
    };
    for (std::size_t m = 0; m < balanced.mics.size(); ++m) {
        const auto& mic = balanced.mics[m];
        auto& entry = json["mics"][m];
        const auto& from = written["mics"][m];
        if (mic.balanced_db && *mic.balanced_db == mic.mix.level_db)
            take(entry, from, {"level_db", "balanced_db"});
        if (mic.balanced_pan && *mic.balanced_pan == mic.mix.pan)
            take(entry, from, {"pan", "balanced_pan"});
        else if (entry.contains("pan") || mic.mix.pan != 0.0)
            take(entry, from, {"pan"});
    }
    json.erase("like"); // levels of its own from now on
    take(json["sum"], written["sum"], {"overhead_width", "room_width"});
    take(json, written, {"balance"});
    if (balanced.balanced_output_db == balanced.output.level_db)
        take(json["output"], written["output"], {"level_db", "balanced_db"});
    if (!balanced.bus || balanced.balanced_threshold_db != balanced.bus->threshold_db) return;
    take(json["bus"], written["bus"], {"threshold_db"});
    take(json["output"], written["output"], {"balanced_threshold_db"});
}

} // namespace

BalanceWish balance_wish(const std::string& balance, const std::string& side,
                         const std::vector<Preset>& presets) {
    BalanceWish wish;
    if (balance.find('/') != std::string::npos || balance.ends_with(".json")) {
        wish.target = std::get<dsp::BalanceSettings>(load_preset(balance, "balance").content);
    } else if (!balance.empty()) {
        const auto& preset = find_preset(presets, balance);
        if (preset.kind != "balance")
            throw bad_input(balance + " is a preset of " + preset.kind +
                            ", but --balance takes one of balance");
        wish.target = std::get<dsp::BalanceSettings>(preset.content);
    }
    if (side == "listener") wish.side = dsp::Side::listener;
    if (side == "drummer") wish.side = dsp::Side::drummer;
    if (!side.empty() && !wish.side)
        throw bad_input("--side is \"" + side + "\", but must be drummer or listener");
    return wish;
}

OutputBalance set_output(LevelBalance& levels, const std::vector<Preset>& presets,
                         const std::function<void(double)>& progress) {
    auto& session = levels.session;
    auto sum = session;
    sum.output.level_db = 0.0;
    sum.bus.reset();
    const bool finds_threshold = session.bus && !threshold_set_by_a_person(session, presets);
    const auto trials = finds_threshold ? trials_of(session) : std::vector<dsp::BusSettings>();
    const auto before = measure_submix(sum, {}, trials, part_of(progress, 0.0, 0.5));
    const double moved_db = move_for(levels, before.stereo.true_peak_dbtp);
    move_all(levels, moved_db);
    OutputBalance out{session.output.level_db, session.output.level_db, {}, {}, {}, {}};
    if (finds_threshold)
        set_bus(session, trials, before.trials, moved_db, out);
    else if (session.bus)
        out.bus_note = "threshold set by you: kept";
    auto plain = session;
    plain.output.level_db = 0.0;
    const auto submix = measure_submix(plain, {}, {}, part_of(progress, 0.5, 1.0));
    out.figures = submix.stereo, out.bus = submix.bus;
    if (output_set_by_a_person(session)) {
        out.note = "level set by you: kept";
    } else {
        out.note = fit_output(session, {kOutputLufs, kOutputPeakDbtp}, submix);
        session.balanced_output_db = out.level_db = session.output.level_db;
    }
    out.figures.loudness_lufs += out.level_db;
    out.figures.sample_peak_dbfs += out.level_db;
    out.figures.true_peak_dbtp += out.level_db;
    return out;
}

LevelBalance balance_of_levels(const Session& session, const BalanceWish& wish,
                               const std::vector<Preset>& presets,
                               const std::function<void(double)>& progress,
                               std::vector<std::string>* notices) {
    TakeFiles files(session);
    std::vector<dsp::ScanFeatures> scans;
    std::vector<dsp::MicMeasure> measures;
    for (auto& reading : files.read_all(part_of(progress, 0.0, 0.5)))
        scans.push_back(std::move(reading.scan)), measures.push_back(std::move(reading.measure));
    const auto hits = dsp::find_hits(files.take(), scans);
    auto levels = balance_levels(session, files.take(), hits, faults_of(files, measures, hits), wish, presets,
                                 part_of(progress, 0.6, 1.0));
    files.throw_if_failed();
    if (notices != nullptr) *notices = files.notices();
    return levels;
}

BalanceResult balance(const Session& session, const BalanceWish& wish, const std::vector<Preset>& presets,
                      const std::function<void(double)>& progress) {
    BalanceResult out;
    out.levels = balance_of_levels(session, wish, presets, part_of(progress, 0.0, 0.8), &out.notices);
    out.output = set_output(out.levels, presets, part_of(progress, 0.8, 1.0));
    return out;
}

std::optional<std::filesystem::path> apply_balance(const Session& listened_to, const Session& balanced,
                                                   Backup backup) {
    return change_file(
        listened_to, [&](dsp::Json& json) { write_balance(balanced, json); }, backup);
}

} // namespace kitfold::offline
