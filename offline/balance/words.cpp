#include "offline/balance/words.h"
#include "offline/check/words.h"
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

using dsp::Json;

std::string shown(double db) { return std::isfinite(db) ? fmt::format("{:+.1f}", db) : std::string("-"); }

Json number(double value) {
    return std::isfinite(value) ? Json(std::round(value * 100.0) / 100.0 + 0.0) : Json(nullptr);
}

std::string capital(std::string text) {
    if (!text.empty()) text[0] = char(std::toupper(static_cast<unsigned char>(text[0])));
    return text;
}

} // namespace

std::string levels_text(const LevelBalance& levels) {
    auto out =
        fmt::format("{:<18} {:>6} {:>6} {:>6}  {}\n", "Drum, dB re snare", "now", "wanted", "got", "how");
    for (const auto& row : levels.drums)
        out += fmt::format("{:<18} {:>6} {:>6} {:>6}  {}\n", capital(drum_words(row.drum).substr(4)),
                           shown(row.now_db), shown(row.wanted_db), shown(row.got_db), row.how);
    out += "K-weighted loudness of a stroke in the submix before the bus, all mics together\n\n";
    std::size_t width = 3;
    for (const auto& mic : levels.session.mics) width = std::max(width, mic.name.size());
    out += fmt::format("{:<{}}  {:>6} {:>6}\n", "Mic", width, "now", "level");
    for (std::size_t m = 0; m < levels.mics.size(); ++m) {
        const auto& mic = levels.mics[m];
        out += fmt::format("{:<{}}  {:>6} {:>6}{}{}\n", levels.session.mics[m].name, width, shown(mic.now_db),
                           shown(mic.level_db), mic.note.empty() ? "" : "  ", mic.note);
    }
    return out;
}

std::string balance_text(const BalanceResult& result) {
    auto out = levels_text(result.levels);
    const auto& output = result.output;
    out += fmt::format("\nOutput {:+.1f} dB: {:.1f} LUFS, true peak {:.1f} dBTP", output.level_db,
                       output.figures.loudness_lufs, output.figures.true_peak_dbtp);
    if (output.bus) out += fmt::format(", bus {:.1f} dB at most", output.bus->largest_reduction_db);
    out += output.note.empty() ? "\n" : "\n" + output.note + "\n";
    for (const auto& notice : result.notices) out += "Note: " + notice + "\n";
    return out;
}

Json balance_json(const BalanceResult& result) {
    Json drums = Json::array(), mics = Json::array();
    const auto& levels = result.levels;
    for (const auto& row : levels.drums) {
        Json shares = Json::object();
        for (std::size_t m = 0; m < row.shares.size(); ++m)
            shares[levels.session.mics[m].name] = number(row.shares[m]);
        drums.push_back({{"drum", dsp::drum_name(row.drum)},
                         {"strokes", row.strokes},
                         {"now_db", number(row.now_db)},
                         {"wanted_db", number(row.wanted_db)},
                         {"got_db", number(row.got_db)},
                         {"got_lufs", number(row.got_lufs)},
                         {"shares", shares},
                         {"how", row.how}});
    }
    for (std::size_t m = 0; m < levels.mics.size(); ++m)
        mics.push_back({{"name", levels.session.mics[m].name},
                        {"now_db", number(levels.mics[m].now_db)},
                        {"level_db", number(levels.mics[m].level_db)},
                        {"note", levels.mics[m].note}});
    const auto& output = result.output;
    Json out = {{"kitfold_balance", 1},
                {"target", dsp::to_json(levels.target)},
                {"drums", drums},
                {"mics", mics},
                {"output",
                 {{"now_db", number(output.now_db)},
                  {"level_db", number(output.level_db)},
                  {"loudness_lufs", number(output.figures.loudness_lufs)},
                  {"true_peak_dbtp", number(output.figures.true_peak_dbtp)},
                  {"correlation", number(output.figures.correlation)},
                  {"mono_loss_db", number(output.figures.mono_loss_db)},
                  {"note", output.note}}},
                {"notices", result.notices}};
    if (output.bus) out["output"]["bus_reduction_db"] = number(output.bus->largest_reduction_db);
    return out;
}

} // namespace kitfold::offline
