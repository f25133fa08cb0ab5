#include "offline/balance/balance.h"
#include "hits/hits.h"
#include "offline/check/apply_fixes.h"
#include "offline/util/errors.h"
#include "offline/session/take_files.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

std::vector<std::vector<dsp::Fault>>
faults_of(const TakeFiles& files, std::span<const dsp::MicMeasure> measures, std::span<const dsp::Hit> hits) {
    const auto& take = files.take();
    std::vector<std::vector<dsp::Fault>> faults(take.mics.size());
    for (std::size_t m = 0; m < faults.size(); ++m)
        if (files.at_rate(m)) faults[m] = dsp::mic_faults(take, m, measures[m], hits.size());
    for (const auto& fault : dsp::early_ends(measures)) faults[fault.mic].push_back(fault);
    for (const auto& fault : dsp::identical_faults(take, measures)) faults[fault.mic].push_back(fault);
    for (const auto& fault : dsp::file_faults(files.files())) faults[fault.mic].push_back(fault);
    return faults;
}

bool output_set_by_a_person(const Session& session) {
    if (session.balanced_output_db) return session.output.level_db != *session.balanced_output_db;
    return session.output.level_db != 0.0;
}

std::function<void(double)> part_of(const std::function<void(double)>& progress, double from, double to) {
    return [progress, from, to](double share) {
        if (progress) progress(from + (to - from) * share);
    };
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

OutputBalance set_output(Session& session, const std::function<void(double)>& progress) {
    auto plain = session;
    plain.output.level_db = 0.0;
    const auto submix = measure_submix(plain, {}, progress);
    OutputBalance out{session.output.level_db, session.output.level_db, submix.stereo, submix.bus, {}};
    if (output_set_by_a_person(session)) {
        out.note = "set by you: kept";
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
    out.output = set_output(out.levels.session, part_of(progress, 0.8, 1.0));
    return out;
}

std::optional<std::filesystem::path> apply_balance(const Session& listened_to, const Session& balanced,
                                                   Backup backup) {
    return change_file(
        listened_to, [&](dsp::Json& json) { write_balance(balanced, json); }, backup);
}

} // namespace kitfold::offline
