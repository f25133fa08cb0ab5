#include "offline/balance/words.h"
#include "core/units.h"
#include "offline/check/words.h"
#include "offline/util/columns.h"
#include "offline/util/json_number.h"
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

using dsp::Json;

std::string shown(double db) { return std::isfinite(db) ? fmt::format("{:+.1f}", db) : std::string("-"); }

} // namespace

std::string levels_text(const LevelBalance& levels) {
    auto out = fmt::format("{:<18} {:>6} {:>6} {:>6} {:>7}  {}\n", "Drum, dB re snare", "now", "wanted",
                           "got", "in mono", "how");
    for (const auto& row : levels.drums)
        out += fmt::format("{:<18} {:>6} {:>6} {:>6} {:>7}  {}\n", capital(drum_words(row.drum).substr(4)),
                           shown(row.now_db), shown(row.wanted_db), shown(row.got_db),
                           shown(0.0 - row.mono_loss_db), wrapped(row.how, 49));
    out += "K-weighted loudness of a stroke in the submix before the bus, all mics together\n\n";
    std::size_t width = 3;
    for (const auto& mic : levels.session.mics) width = std::max(width, mic.name.size());
    out += fmt::format("{:<{}}  {:>6} {:>6} {:>6}\n", "Mic", width, "now", "level", "pan");
    for (std::size_t m = 0; m < levels.mics.size(); ++m) {
        const auto& mic = levels.mics[m];
        out += fmt::format("{:<{}}  {:>6} {:>6} {:>+6.2f}{}{}\n", levels.session.mics[m].name, width,
                           shown(mic.now_db), shown(mic.level_db), mic.pan, mic.note.empty() ? "" : "  ",
                           mic.note);
    }
    return out;
}

namespace {

/// How far the difference of both sides lies under their sum.
double side_to_mid_db(const StereoFigures& figures) {
    return dsp::db_from_power(dsp::power_from_db(figures.mono_loss_db) - 1.0);
}

/// What kick and snare lose in mono is the kit's own business; more than a decibel can be heard.
std::string mono_words(const LevelBalance& levels) {
    constexpr double kHeard_db = 1.0;
    std::string out;
    for (const auto& row : levels.drums)
        if ((row.drum == dsp::Drum::kick || row.drum == dsp::Drum::snare) && row.mono_loss_db >= kHeard_db)
            out +=
                fmt::format("In mono {} loses {:.1f} dB: narrow the overheads, overhead_width below {:.2g}\n",
                            drum_words(row.drum), row.mono_loss_db, levels.session.sum.overhead_width);
    return out;
}

} // namespace

std::string balance_line(const BalanceResult& result) {
    const auto& output = result.output;
    const auto side = side_to_mid_db(output.figures);
    auto out = fmt::format("Balance: {:.1f} LUFS, true peak {:.1f} dBTP", output.figures.loudness_lufs,
                           output.figures.true_peak_dbtp);
    if (std::isfinite(side))
        out += fmt::format(", side {:.1f} dB {} mid", std::abs(side), side < 0.0 ? "under" : "over");
    return out + "\n";
}

std::string balance_text(const BalanceResult& result) {
    auto out = levels_text(result.levels);
    const auto& output = result.output;
    const bool listener = result.levels.target.side == dsp::Side::listener;
    const auto side = side_to_mid_db(output.figures);
    out += fmt::format("\nOutput {:+.1f} dB: {:.1f} LUFS, true peak {:.1f} dBTP\n", output.level_db,
                       output.figures.loudness_lufs, output.figures.true_peak_dbtp);
    if (!output.note.empty()) out += capital(output.note) + "\n";
    if (output.bus)
        out += fmt::format("Bus: {}, {:.1f} dB at most, {:.1f} dB on average\n", output.bus_note,
                           output.bus->largest_reduction_db, output.bus->mean_reduction_db);
    out += std::isfinite(side)
               ? fmt::format("Width: side {:.1f} dB {} mid, correlation {:.2f}; left and right as "
                             "seen by the {}\n",
                             std::abs(side), side < 0.0 ? "under" : "over", output.figures.correlation,
                             listener ? "listener" : "drummer")
               : std::string("Width: mono\n");
    out += mono_words(result.levels);
    for (const auto& notice : result.notices) out += fmt::format("Note: {}\n", notice);
    return out;
}

Json balance_json(const BalanceResult& result) {
    Json drums = Json::array(), mics = Json::array();
    const auto& levels = result.levels;
    for (const auto& row : levels.drums) {
        Json shares = Json::object();
        for (std::size_t m = 0; m < row.shares.size(); ++m)
            shares[levels.session.mics[m].name] = two_decimals(row.shares[m]);
        drums.push_back({{"drum", dsp::drum_name(row.drum)},
                         {"strokes", row.strokes},
                         {"now_db", two_decimals(row.now_db)},
                         {"wanted_db", two_decimals(row.wanted_db)},
                         {"got_db", two_decimals(row.got_db)},
                         {"others_db", two_decimals(row.others_db)},
                         {"got_lufs", two_decimals(row.got_lufs)},
                         {"mono_loss_db", two_decimals(row.mono_loss_db)},
                         {"shares", shares},
                         {"how", row.how}});
    }
    for (std::size_t m = 0; m < levels.mics.size(); ++m)
        mics.push_back({{"name", levels.session.mics[m].name},
                        {"now_db", two_decimals(levels.mics[m].now_db)},
                        {"level_db", two_decimals(levels.mics[m].level_db)},
                        {"pan", two_decimals(levels.mics[m].pan)},
                        {"note", levels.mics[m].note}});
    const auto& output = result.output;
    Json out = {{"kitfold_balance", 1},
                {"target", dsp::to_json(levels.target)},
                {"drums", drums},
                {"mics", mics},
                {"output",
                 {{"now_db", two_decimals(output.now_db)},
                  {"level_db", two_decimals(output.level_db)},
                  {"loudness_lufs", two_decimals(output.figures.loudness_lufs)},
                  {"true_peak_dbtp", two_decimals(output.figures.true_peak_dbtp)},
                  {"correlation", two_decimals(output.figures.correlation)},
                  {"mono_loss_db", two_decimals(output.figures.mono_loss_db)},
                  {"side_to_mid_db", two_decimals(side_to_mid_db(output.figures))},
                  {"note", output.note}}},
                {"notices", result.notices}};
    if (output.bus)
        out["bus"] = {{"threshold_db", two_decimals(levels.session.bus->threshold_db)},
                      {"largest_reduction_db", two_decimals(output.bus->largest_reduction_db)},
                      {"mean_reduction_db", two_decimals(output.bus->mean_reduction_db)},
                      {"note", output.bus_note}};
    return out;
}

} // namespace kitfold::offline
