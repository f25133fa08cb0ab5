#include "offline/bounce/recall_sheet.h"
#include "offline/util/json_number.h"
#include <cmath>
#include <fmt/format.h>
#include <nlohmann/json.hpp>

namespace kitfold::offline {
namespace {

using dsp::Json;

std::string db(double value, const char* unit) {
    return std::isfinite(value) ? fmt::format("{:.1f} {}", value, unit)
                                : fmt::format("{} {}", value < 0 ? "-inf" : "inf", unit);
}

std::string gate_text(const MicFigures& mic, double seconds) {
    if (!mic.gate_open_s) return "-";
    return fmt::format("{:.1f} s ({:.0f} %)", *mic.gate_open_s,
                       seconds > 0 ? 100.0 * *mic.gate_open_s / seconds : 0.0);
}

Json mic_json(const Mic& mic, const MicFigures& figures, double seconds) {
    Json out = {{"name", mic.name},
                {"role", std::string(dsp::token(mic.role))},
                {"peak_dbfs", two_decimals(figures.peak_dbfs)}};
    if (figures.gate_open_s) {
        out["gate_open_s"] = two_decimals(*figures.gate_open_s);
        out["gate_open_percent"] = two_decimals(100.0 * *figures.gate_open_s / seconds);
    }
    const MicSource& source = figures.source;
    out["file"] = {{"path", source.file.string()},
                   {"channel", mic.channel},
                   {"format", source.info.format},
                   {"rate_hz", source.info.rate_hz},
                   {"frames", source.info.frames},
                   {"start_s", source.start_s},
                   {"samples_not_numbers", source.non_finite},
                   {"xxh128", source.xxh128}};
    if (!figures.stem.empty()) out["stem"] = figures.stem.string();
    return out;
}

} // namespace

std::string format_text(const AudioFormat& format) {
    return fmt::format("{}, {} Hz, stereo, {:.1f} s",
                       format.bits == 32 ? std::string("32 bit float") : fmt::format("{} bit", format.bits),
                       format.rate_hz, double(format.frames) / format.rate_hz);
}

std::vector<std::pair<std::string, std::string>> summary_lines(const BounceFigures& figures) {
    const StereoFigures& stereo = figures.stereo;
    std::vector<std::pair<std::string, std::string>> lines = {
        {"Loudness",
         fmt::format("{} integrated, range {:.1f} LU", db(stereo.loudness_lufs, "LUFS"), stereo.range_lu)},
        {"Peak", fmt::format("{}, true peak {}", db(stereo.sample_peak_dbfs, "dBFS"),
                             db(stereo.true_peak_dbtp, "dBTP"))},
        {"Image", fmt::format("correlation {:.2f}, loss in mono {}", stereo.correlation,
                              db(stereo.mono_loss_db, "dB"))}};
    if (figures.bus)
        lines.emplace_back("Bus",
                           fmt::format("gain reduction {:.1f} dB at most, {:.1f} dB on average",
                                       figures.bus->largest_reduction_db, figures.bus->mean_reduction_db));
    return lines;
}

std::string range_text(const BounceRequest& request, const BounceFigures& figures) {
    const double from_s = request.session.range.from_s;
    return fmt::format(
        "{} to {} of the recording, as if cut there first: filters, gates and bus begin in silence",
        clock_text(from_s), clock_text(from_s + figures.seconds()));
}

Json bounce_json(const BounceRequest& request, const BounceFigures& figures) {
    const StereoFigures& stereo = figures.stereo;
    Json out = {{"kitfold_bounce", 1},
                {"output", request.output.string()},
                {"xxh128", figures.output_xxh128},
                {"rate_hz", figures.format.rate_hz},
                {"bits", figures.format.bits},
                {"frames", figures.format.frames},
                {"seconds", two_decimals(figures.seconds())},
                {"loudness_lufs", two_decimals(stereo.loudness_lufs)},
                {"range_lu", two_decimals(stereo.range_lu)},
                {"sample_peak_dbfs", two_decimals(stereo.sample_peak_dbfs)},
                {"true_peak_dbtp", two_decimals(stereo.true_peak_dbtp)},
                {"correlation", two_decimals(stereo.correlation)},
                {"mono_loss_db", two_decimals(stereo.mono_loss_db)},
                {"clipped_samples", figures.clipped}};
    if (figures.bus)
        out["bus"] = {{"largest_reduction_db", two_decimals(figures.bus->largest_reduction_db)},
                      {"mean_reduction_db", two_decimals(figures.bus->mean_reduction_db)}};
    out["mics"] = Json::array();
    for (std::size_t m = 0; m < figures.mics.size(); ++m)
        out["mics"].push_back(mic_json(request.session.mics[m], figures.mics[m], figures.seconds()));
    out["notices"] = figures.notices;
    out["recall_json"] = figures.recall_json.string();
    out["recall_page"] = figures.recall_page.string();
    return out;
}

std::string bounce_text(const BounceRequest& request, const BounceFigures& figures) {
    std::string out = fmt::format("{}: {}\n\n", request.output.string(), format_text(figures.format));
    for (const auto& [heading, value] : summary_lines(figures))
        out += fmt::format("{:<10}{}\n", heading, value);
    if (!request.session.range.whole())
        out += fmt::format("{:<10}{}\n", "Part", range_text(request, figures));
    std::size_t width = 3;
    for (const Mic& mic : request.session.mics) width = std::max(width, mic.name.size());
    out += fmt::format("\n{:<{}}  {:>12}  {}\n", "Mic", width, "Peak", "Gate open");
    for (std::size_t m = 0; m < figures.mics.size(); ++m)
        out +=
            fmt::format("{:<{}}  {:>12}  {}\n", request.session.mics[m].name, width,
                        db(figures.mics[m].peak_dbfs, "dBFS"), gate_text(figures.mics[m], figures.seconds()));
    if (!figures.notices.empty()) out += "\n";
    for (const std::string& notice : figures.notices) out += "Note: " + notice + "\n";
    if (request.stems)
        out += fmt::format("\nStems: {} files in {}", figures.mics.size(), request.stems->string());
    return out + fmt::format("\nRecall sheet: {} (and .json)\n", figures.recall_page.string());
}

std::string recall_json(const BounceRequest& request, const BounceFigures& figures, const std::string& date) {
    Json out = {{"kitfold_recall", 1},
                {"seal", blank_seal(Product::recall)},
                {"version", KITFOLD_VERSION},
                {"date", date},
                {"session_file", request.session.path.string()},
                {"range", request.session.range.whole()
                              ? Json(nullptr)
                              : Json{{"from_s", request.session.range.from_s},
                                     {"to_s", request.session.range.from_s + figures.seconds()}}},
                {"converted_to_hz", request.rate_hz ? Json(*request.rate_hz) : Json(nullptr)},
                {"session", dsp::parse_json(to_json_text(request.session))},
                {"figures", bounce_json(request, figures)}};
    return sealed(dsp::pretty(out), Product::recall);
}

} // namespace kitfold::offline
