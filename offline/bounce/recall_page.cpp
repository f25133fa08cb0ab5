#include "offline/bounce/recall_sheet.h"
#include "offline/util/html.h"
#include "settings/parameters.h"
#include <cmath>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

constexpr const char* kStyle = R"(
:root { color-scheme: light dark; --paper: #fff; --ink: #111; --soft: #555; --line: #bbb; --band: #f3f1ea; }
@media (prefers-color-scheme: dark) {
  :root { --paper: #16181b; --ink: #e9e7e2; --soft: #a3a9b0; --line: #444a51; --band: #1f2226; }
}
* { box-sizing: border-box; }
body { margin: 1.5rem auto; max-width: 90rem; padding: 0 1rem; background: var(--paper); color: var(--ink);
       font: 13px/1.35 sans-serif; }
h1 { font-size: 1.4rem; margin: 0; }
h2 { font-size: 1rem; margin: 1rem 0 .2rem; }
p { margin: .2rem 0; color: var(--soft); }
.wide { overflow-x: auto; }
.beside { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 34rem), 1fr)); gap: 0 1.5rem; }
table { border-collapse: collapse; }
th, td { padding: .15rem .4rem; text-align: left; vertical-align: top; border-bottom: 1px solid var(--line); }
th { font-weight: 600; }
tbody th { font-weight: 400; color: var(--soft); white-space: nowrap; }
.matrix { width: 100%; }
.matrix td + td, .matrix td { border-left: 1px solid var(--line); }
.matrix tr:nth-child(odd) td { background: var(--band); }
.matrix .write td { height: 2.2em; background: none; }
.digests td { font-family: monospace; font-size: .85em; }
@media print {
  :root { --paper: #fff; --ink: #000; --soft: #444; --line: #999; --band: #fff; }
  @page { size: A4 landscape; margin: 9mm; }
  body { margin: 0; padding: 0; max-width: none; font-size: 7pt; line-height: 1.15; }
  h1 { font-size: 12pt; } h2 { font-size: 8.5pt; margin: 2mm 0 .5mm; }
  th, td { padding: .3mm 1mm; } .wide { overflow: visible; }
  .digests { font-size: 6pt; } .digests td { padding: 0 1mm; } .beside { grid-template-columns: 2fr 3fr; } .matrix .write td { height: 5mm; }
}
)";

template <class Settings, class Member>
std::string shown(const Settings& settings, Member Settings::*member) {
    const auto& field = dsp::field_of(member);
    return dsp::text(field.parameter, field.of(settings));
}

/// One setting across the mics; what a mic doesn't have is an empty cell.
struct Row {
    std::string heading;
    std::string (*cell)(const Mic&);
};

const Row kRows[] = {
    {"Level", [](const Mic& m) { return shown(m.mix, &dsp::MicSettings::level_db); }},
    {"Pan",
     [](const Mic& m) { return m.mix.pan == 0.0 ? std::string() : shown(m.mix, &dsp::MicSettings::pan); }},
    {"Polarity",
     [](const Mic& m) {
         return m.mix.polarity == dsp::Polarity::inverted ? std::string("inverted") : std::string();
     }},
    {"Delay",
     [](const Mic& m) {
         return m.mix.delay_ms == 0.0 ? std::string() : shown(m.mix, &dsp::MicSettings::delay_ms);
     }},
    {"Muted", [](const Mic& m) { return m.mix.mute ? std::string("yes") : std::string(); }},
    {"Soloed", [](const Mic& m) { return m.mix.solo ? std::string("yes") : std::string(); }},
    {"Bleed reduction",
     [](const Mic& m) {
         return m.bounce.bleed_reduction_db == 0.0
                    ? std::string()
                    : shown(m.bounce, &dsp::OfflineSettings::bleed_reduction_db);
     }},
    {"High-pass",
     [](const Mic& m) {
         if (!m.filters || m.filters->high_pass_slope == dsp::Slope::off) return std::string();
         return shown(*m.filters, &dsp::KickSettings::high_pass_hz) + ", " +
                shown(*m.filters, &dsp::KickSettings::high_pass_slope);
     }},
    {"Low shelf",
     [](const Mic& m) {
         if (!m.filters || m.filters->shelf_db == 0.0) return std::string();
         return shown(*m.filters, &dsp::KickSettings::shelf_db) + " at " +
                shown(*m.filters, &dsp::KickSettings::shelf_hz) + ", slope " +
                shown(*m.filters, &dsp::KickSettings::shelf_slope);
     }},
    {"Box cut",
     [](const Mic& m) {
         if (!m.filters || m.filters->box_db == 0.0) return std::string();
         return shown(*m.filters, &dsp::KickSettings::box_db) + " at " +
                shown(*m.filters, &dsp::KickSettings::box_hz) + ", Q " +
                shown(*m.filters, &dsp::KickSettings::box_q);
     }},
    {"Bleed cut",
     [](const Mic& m) {
         if (!m.filters || m.filters->bleed_cut_slope == dsp::Slope::off) return std::string();
         return shown(*m.filters, &dsp::KickSettings::bleed_cut_hz) + ", " +
                shown(*m.filters, &dsp::KickSettings::bleed_cut_slope);
     }},
    {"Filters, level",
     [](const Mic& m) {
         return !m.filters || m.filters->level_db == 0.0 ? std::string()
                                                         : shown(*m.filters, &dsp::KickSettings::level_db);
     }},
    {"Gate",
     [](const Mic& m) {
         if (!m.gate) return std::string();
         return shown(*m.gate, &dsp::GateSettings::threshold_db) + ", hysteresis " +
                shown(*m.gate, &dsp::GateSettings::hysteresis_db);
     }},
    {"Gate, range",
     [](const Mic& m) { return m.gate ? shown(*m.gate, &dsp::GateSettings::range_db) : std::string(); }},
    {"Gate, attack, hold, release",
     [](const Mic& m) {
         if (!m.gate) return std::string();
         return fmt::format("{:g} / {:g} / {:g} ms", m.gate->attack_ms, m.gate->hold_ms, m.gate->release_ms);
     }},
    {"Gate, key",
     [](const Mic& m) {
         if (!m.gate) return std::string();
         auto out = std::string(m.gate->key == dsp::GateKey::kit ? "kit" : "own");
         if (m.gate->key_high_pass_hz != dsp::kFilterOff)
             out += ", from " + shown(*m.gate, &dsp::GateSettings::key_high_pass_hz);
         if (m.gate->key_low_pass_hz != dsp::kFilterOff)
             out += ", to " + shown(*m.gate, &dsp::GateSettings::key_low_pass_hz);
         return out;
     }},
    {"Gate, look-ahead",
     [](const Mic& m) {
         return m.gate && m.gate->lookahead_ms != 0.0 ? shown(*m.gate, &dsp::GateSettings::lookahead_ms)
                                                      : std::string();
     }},
    {"Damp",
     [](const Mic& m) {
         if (!m.damp || m.damp->amount == 0.0 || m.damp->heard == dsp::Tail::open) return std::string();
         return "amount " + shown(*m.damp, &dsp::DampSettings::amount) +
                fmt::format(", high {:g} dB/s, tail {:g} dB/s", m.damp->high_db_per_s, m.damp->tail_db_per_s);
     }},
    {"Damp, rings",
     [](const Mic& m) {
         std::string out;
         if (!m.damp || m.damp->amount == 0.0 || m.damp->heard == dsp::Tail::open) return out;
         for (std::size_t n = 0; n < m.damp->band_count; ++n)
             out += fmt::format("{}{:g} Hz, Q {:.1f}: {:.0f} to {:.0f} ms", n == 0 ? "" : "; ",
                                m.damp->bands[n].hz, m.damp->bands[n].q, m.damp->bands[n].open_ring_ms,
                                m.damp->bands[n].ring_ms);
         return out;
     }},
};

std::string cells(const std::string& heading, const std::vector<std::string>& values, const char* kind = "") {
    auto out = fmt::format("<tr{}><th scope=\"row\">{}</th>", kind, heading);
    for (const auto& value : values) out += "<td>" + escaped(value) + "</td>";
    return out + "</tr>\n";
}

/// Mics across, settings down; rows that no mic has are left out.
std::string matrix(const BounceRequest& request, const BounceFigures& figures) {
    const auto& mics = request.session.mics;
    std::string out = "<div class=\"wide\"><table class=\"matrix\"><thead><tr><th></th>";
    for (const auto& mic : mics) out += "<th scope=\"col\">" + escaped(mic.name) + "</th>";
    out += "</tr></thead><tbody>\n";
    for (const auto& row : kRows) {
        std::vector<std::string> values;
        std::size_t filled = 0;
        for (const auto& mic : mics) values.push_back(row.cell(mic)), filled += values.back().empty() ? 0 : 1;
        if (filled > 0) out += cells(row.heading, values);
    }
    std::vector<std::string> peaks, open;
    bool gated = false;
    for (const auto& mic : figures.mics) {
        peaks.push_back(std::isfinite(mic.peak_dbfs) ? fmt::format("{:.1f} dBFS", mic.peak_dbfs) : "-inf");
        open.push_back(mic.gate_open_s ? fmt::format("{:.0f} %", 100.0 * *mic.gate_open_s / figures.seconds())
                                       : "");
        gated = gated || mic.gate_open_s;
    }
    out += cells("Peak in the submix", peaks);
    if (gated) out += cells("Gate open", open);
    for (const char* blank : {"Mic model", "Preamp gain", "Distance, angle", "Notes"})
        out += cells(blank, std::vector<std::string>(mics.size()), " class=\"write\"");
    return out + "</tbody></table></div>\n";
}

/// "Ratio 4.0:1, Knee 6.0 dB": a block's numbers in one line.
template <class Settings> std::string settings_line(const Settings& settings) {
    std::string out;
    for (const auto& field : dsp::fields<Settings>())
        out += fmt::format("{}{} {}", out.empty() ? "" : ", ", field.parameter.name,
                           dsp::text(field.parameter, field.of(settings)));
    return out;
}

std::string row(std::string_view heading, std::string_view value) {
    return fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td></tr>\n", escaped(heading), escaped(value));
}

std::string digests(const BounceRequest& request, const BounceFigures& figures) {
    std::string out = "<h2>Files and their digests (xxh128sum)</h2>\n<div class=\"wide\"><table "
                      "class=\"digests\"><tbody>\n";
    const auto file = [&](const std::string& what, const std::string& name, const std::string& rest,
                          const std::string& digest) {
        out += fmt::format("<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td><td>{}</td></tr>\n",
                           escaped(what), escaped(name), escaped(rest), digest);
    };
    file("Submix", request.output.filename().string(), format_text(figures.format), figures.output_xxh128);
    for (std::size_t m = 0; m < figures.mics.size(); ++m) {
        const auto& mic = request.session.mics[m];
        const auto& source = figures.mics[m].source;
        auto rest = fmt::format("channel {}; {}, {} Hz, {:.1f} s", mic.channel, source.info.format,
                                source.info.rate_hz, source.info.seconds());
        if (source.start_s > 0.0) rest += fmt::format(", starts {:.3f} s after the earliest", source.start_s);
        if (!figures.mics[m].stem.empty()) rest += "; stem " + figures.mics[m].stem.filename().string();
        file(mic.name, source.file.filename().string(), rest, source.xxh128);
    }
    return out + "</tbody></table></div>\n";
}

} // namespace

std::string recall_page(const BounceRequest& request, const BounceFigures& figures, const std::string& date) {
    const Session& session = request.session;
    const std::string title = session.title.empty() ? request.output.stem().string() : session.title;
    std::string out = fmt::format(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" "
        "content=\"width=device-width\">\n<title>Recall sheet: {}</title>\n<style>{}</style>\n</head>\n"
        "<body>\n<h1>{}</h1>\n<p>Recall sheet, {}. Kitfold {}. Session {}.</p>\n",
        escaped(title), kStyle, escaped(title), escaped(date), KITFOLD_VERSION,
        escaped(session.path.string()));
    out += "<h2>Mics: what is set and not off</h2>\n" + matrix(request, figures);
    out += "<div class=\"beside\"><div><h2>Sum, bus, output</h2>\n<table><tbody>\n";
    out += row("Sum", settings_line(session.sum));
    out += row("Bus", session.bus ? settings_line(*session.bus) : "none");
    out += row("Output", settings_line(session.output));
    out += row("Room", settings_line(session.room));
    if (!session.range.whole()) out += row("Part", range_text(request, figures));
    if (request.rate_hz) out += row("Converted to", fmt::format("{} Hz", *request.rate_hz));
    for (const auto& [heading, value] : summary_lines(figures)) out += row(heading, value);
    for (const std::string& notice : figures.notices) out += row("Note", notice);
    return out + "</tbody></table></div>\n<div>" + digests(request, figures) +
           "</div></div>\n</body>\n</html>\n";
}

} // namespace kitfold::offline
