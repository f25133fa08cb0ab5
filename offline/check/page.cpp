#include "offline/check/page.h"
#include "offline/check/page_sound.h"
#include "offline/check/plots.h"
#include "offline/check/words.h"
#include "offline/util/html.h"
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

// Blue and orange differ in lightness as well as in hue, so they stay apart in print and for every kind of
// colour vision.
constexpr const char* kStyle = R"(
:root {
  color-scheme: light dark;
  --paper: #fbfaf7; --card: #ffffff; --ink: #1c1e21; --soft: #5b6168; --grid: #dcd9d0;
  --blue: #1b5e9b; --orange: #b85400; --teal: #0d7c74; --plum: #7b4a8f; --alarm: #a8201a;
}
@media (prefers-color-scheme: dark) {
  :root {
    --paper: #16181b; --card: #1f2226; --ink: #e9e7e2; --soft: #a3a9b0; --grid: #33383e;
    --blue: #6db3f2; --orange: #f0944a; --teal: #4cc4b8; --plum: #c79bdb; --alarm: #ff8a80;
  }
}
* { box-sizing: border-box; }
body {
  margin: 0 auto; max-width: 1180px; padding: 1rem;
  background: var(--paper); color: var(--ink); font: 16px/1.45 system-ui, sans-serif; overflow-wrap: anywhere;
}
h1 { font-size: 1rem; font-weight: 400; color: var(--soft); margin: 0; }
h2 { font-size: 1.1rem; margin: 0 0 .4rem; }
section h2 { margin-top: 1rem; }
p { margin: .3rem 0; }
ul { padding-left: 1.2rem; font-size: .9rem; margin: .4rem 0; }
.verdict { font-size: 1.6rem; line-height: 1.25; font-weight: 600; margin: .2rem 0 .6rem; }
.soft, figcaption { color: var(--soft); font-size: .88rem; }

/* what to do */
ol.findings { list-style: none; padding: 0; margin: .8rem 0; }
ol.findings > li { padding: .6rem .9rem; margin: .5rem 0; background: var(--card); border-left: 6px solid var(--soft); }
ol.findings > li.fix { border-left-color: var(--alarm); }
ol.findings > li.done { border-left-color: var(--teal); }
.mark { font-weight: 700; margin-right: .5rem; }
li.fix .mark { color: var(--alarm); }
li.done .mark { color: var(--teal); }
li dl { display: grid; grid-template-columns: auto 1fr; gap: .1rem .7rem; margin: .3rem 0 0; font-size: .92rem; }
dt { color: var(--soft); }
dd { margin: 0; }
.seen { display: grid; grid-template-columns: minmax(0, 1fr) minmax(0, 1fr); gap: 0 1.2rem; }

/* before and after, to hear */
button {
  font: inherit; padding: .3rem .8rem; margin-right: .4rem; border: 1px solid var(--soft); border-radius: 1rem;
  background: var(--paper); color: var(--ink);
}
button[aria-pressed=true] { background: var(--ink); color: var(--paper); }
input[type=range] { width: 12rem; vertical-align: middle; }

/* figures */
main { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: 1rem; }
#against ul { margin: 0 0 1rem; padding: .6rem .9rem; background: var(--card); list-style: none; }
#against b { display: inline-block; min-width: 4rem; }
figure { margin: 0; padding: .9rem; background: var(--card); min-width: 0; }
figure.wide { grid-column: 1 / -1; }
.panels { display: grid; grid-template-columns: repeat(2, minmax(0, 1fr)); gap: .4rem; max-width: 600px; }
svg { display: block; width: 100%; height: auto; overflow: visible; }
svg text { font: 13px system-ui, sans-serif; fill: var(--ink); }
svg .tick { font-size: 12px; fill: var(--soft); }
svg .head { font-weight: 600; }
.grid { stroke: var(--grid); }
.axis { stroke: var(--soft); }

/* rows over the time of the take: label, strip, figure */
.rows { display: grid; grid-template-columns: auto 1fr auto; gap: .25rem .6rem; align-items: center; font-size: .82rem; }
.rows b { font-weight: 400; text-align: right; }
.rows i { font-style: normal; color: var(--soft); text-align: right; font-variant-numeric: tabular-nums; }
.rows svg { height: 26px; border-bottom: 1px solid var(--grid); }
.rows .unit { color: var(--soft); }
.times { position: relative; height: 1.2rem; color: var(--soft); }
.times span { position: absolute; white-space: nowrap; transform: translateX(-50%); }
.times span:first-child { transform: none; }
#plot-mics .rows svg { height: 18px; border: 0; background: var(--paper); }
.hits { stroke-width: 1.4; fill: none; vector-effect: non-scaling-stroke; }
.shade { stroke: var(--blue); stroke-width: 18; fill: none; }
.s1 { stroke-opacity: .15; } .s2 { stroke-opacity: .35; } .s3 { stroke-opacity: .65; } .s4 { stroke-opacity: 1; }
.shades span { padding: 0 .5rem; color: var(--ink); background: color-mix(in srgb, var(--blue) var(--share), var(--card)); }
.shades .s1 { --share: 15%; } .shades .s2 { --share: 35%; } .shades .s3 { --share: 65%; } .shades .s4 { --share: 100%; }
.shades .s3, .shades .s4 { color: var(--card); }
line.fault { stroke: var(--alarm); stroke-width: 2; vector-effect: non-scaling-stroke; }

.h0 { stroke: var(--blue); fill: var(--blue); } .h1 { stroke: var(--orange); fill: var(--orange); }
.h2 { stroke: var(--teal); fill: var(--teal); } .h3 { stroke: var(--plum); fill: var(--plum); }
.wave { fill: none; stroke-width: 1.6; }
.wave.first { stroke: var(--blue); }
.wave.second { stroke: var(--orange); stroke-dasharray: 5 2; }
.keys { font-weight: 600; font-size: .9rem; }
.key { display: inline-block; width: 1.6rem; border-top: 3px solid; margin: 0 .3rem .25rem .4rem; }
.key.first { border-color: var(--blue); }
.key.second { border-color: var(--orange); border-top-style: dashed; }
.decay { fill: none; stroke: var(--blue); stroke-width: 2.4; }
.partial { stroke: var(--orange); stroke-width: 1; stroke-dasharray: 4 2; }
.speaker { fill: var(--soft); }
.listener { fill: none; stroke: var(--ink); stroke-width: 2; }
.drum { stroke: none; }
.leader { stroke: var(--soft); }
.apart { stroke: var(--teal); stroke-width: 10; stroke-opacity: .45; }
.softest { fill: var(--blue); }
.loudest { fill: var(--orange); }
.threshold { stroke: var(--ink); stroke-width: 3; }
.less { fill: var(--blue); }
.more { fill: var(--orange); }

table { border-collapse: collapse; font-size: .82rem; width: 100%; }
th { font-weight: 600; text-align: left; padding: .2rem .3rem; overflow-wrap: normal; }
td {
  text-align: right; padding: .2rem .3rem; border: 1px solid var(--card); font-variant-numeric: tabular-nums;
  background: color-mix(in srgb, var(--blue) var(--heat, 0%), var(--card));
}
td.hot { color: var(--card); }
table.changes { width: auto; margin: .8rem 0; }
table.changes td { text-align: left; background: none; }
table.changes b { white-space: nowrap; font-weight: 400; margin-right: 1rem; }

@media (max-width: 900px) {
  main, .seen { grid-template-columns: minmax(0, 1fr); }
}
@media (max-width: 480px) {
  .verdict { font-size: 1.25rem; }
  svg text { font-size: 17px; } svg .tick { font-size: 16px; }
  .panels { grid-template-columns: minmax(0, 1fr); }
  .panels svg text { font-size: 13px; } .panels svg .tick { font-size: 12px; }
  .rows { grid-template-columns: 1fr auto; }
  .rows b { grid-column: 1 / -1; text-align: left; margin-bottom: -.3rem; }
  #plot-bleed thead th { writing-mode: vertical-rl; transform: rotate(180deg); padding: .3rem .1rem; }
  #plot-bleed table { font-size: .68rem; } #plot-bleed td, #plot-bleed th { padding: .15rem .1rem; }
  li dl { grid-template-columns: 1fr; }
}
@media print {
  :root {
    --paper: #fff; --card: #fff; --ink: #000; --soft: #444; --grid: #ccc;
    --blue: #1b5e9b; --orange: #b85400; --teal: #0d7c74; --plum: #7b4a8f; --alarm: #a8201a;
  }
  @page { size: A4; margin: 10mm; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  html { font-size: 8pt; }
  body { font-size: 1rem; line-height: 1.25; max-width: none; padding: 0; }
  .verdict { font-size: 13pt; }
  main { grid-template-columns: repeat(2, minmax(0, 1fr)); gap: .4rem .8rem; }
  .seen { grid-template-columns: minmax(0, 3fr) minmax(0, 2fr); }
  figure { padding: 0; break-inside: avoid; }
  figure.wide { grid-column: 1 / -1; }
  .hear { display: none; }
  ol.findings > li { padding: .2rem .5rem; margin: .2rem 0; break-inside: avoid; }
  ul { font-size: .85rem; margin: .2rem 0; }
  .rows { gap: .05rem .5rem; } .rows svg { height: 14px; } #plot-mics .rows svg { height: 9px; }
  td, th { padding: .05rem .2rem; }
  .panels { max-width: 6cm; } #plot-image svg { max-width: 5.5cm; } figure ul { font-size: .75rem; }
  figcaption { font-size: .75rem; line-height: 1.15; }
}
)";

/// A card: what was found, what to do, what follows from it, and before and after where there is a picture.
std::string card(const CheckResult& r, const Verdict& v, bool written, const std::vector<FixSound>& sounds) {
    const bool done = written && v.weight == Weight::fix && !v.at_the_kit;
    std::string help, also;
    if (!v.source.empty()) help += "<dt>At the source</dt><dd>" + escaped(v.source) + "</dd>";
    if (!v.software.empty()) help += "<dt>In software</dt><dd>" + escaped(v.software) + "</dd>";
    for (const auto& line : v.also) also += "<li>" + escaped(line) + "</li>";
    const char* kind = done ? "done" : v.weight == Weight::fix ? "fix" : "look";
    const char* mark = done ? "Written" : v.weight == Weight::fix ? "Fix" : "Look";
    auto words =
        fmt::format("<p><span class=\"mark\">{}</span>{}</p>{}{}", mark, escaped(v.text),
                    help.empty() ? "" : "<dl>" + help + "</dl>", also.empty() ? "" : "<ul>" + also + "</ul>");
    const auto picture =
        v.pair ? before_and_after(r, *v.pair) + sound_buttons(*v.pair, sounds) : std::string();
    if (!picture.empty())
        words = "<div class=\"seen\"><div>" + words + "</div><div>" + picture + "</div></div>";
    return fmt::format("<li class=\"{}\">{}</li>\n", kind, words);
}

/// A line for each mic: "level 0.0 dB to -6.1 dB".
std::string changes_table(const Written& written) {
    std::string out = "<table class=\"changes\"><tbody>";
    for (std::size_t i = 0; i < written.changes.size();) {
        const auto& where = written.changes[i].where;
        out += "<tr><th scope=\"row\">" + escaped(where) + "</th><td>";
        for (; i < written.changes.size() && written.changes[i].where == where; ++i) {
            const auto& c = written.changes[i];
            out += "<b>" + escaped(c.what + " " + c.before + " \u2192 " + c.after) + "</b> ";
        }
        out += "</td></tr>";
    }
    return out + "</tbody></table>";
}

std::string head(const std::string& name) {
    return "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" "
           "content=\"width=device-width,initial-scale=1\">\n<link rel=\"icon\" href=\"data:,\">\n<title>" +
           name + "</title>\n<style>" + kStyle + "</style>\n</head>\n<body>\n";
}

} // namespace

std::string check_report(const CheckResult& r, const std::string& title, const PageParts& parts) {
    const auto name = escaped(title.empty() ? "Mic check" : title + ": mic check");
    const auto& written = parts.written;
    const bool applied = !written.changes.empty();
    auto out =
        head(name) +
        fmt::format("<header><h1>{}: {} mics, {} at {:.0f} Hz, {} hits</h1><p class=\"verdict\">{}</p>", name,
                    r.names.size(), length_words(r), r.rate_hz, r.hits.size(), escaped(headline(r, applied)));
    if (!written.line.empty()) out += "<p>" + escaped(written.line) + "</p>";
    out += sound_volume(parts.sounds) + "</header>\n<ol class=\"findings\">\n";
    for (const auto& v : verdicts(r, applied)) out += card(r, v, applied, parts.sounds);
    out += "</ol>\n";
    for (const auto& notice : r.notices) out += "<p class=\"soft\">" + escaped(notice) + "</p>\n";
    if (applied) out += "<section id=\"written\"><h2>Written</h2>" + changes_table(written) + "</section>\n";
    return out + parts.comparison + "<main>\n" + plot_take(r) + plot_mics(r) + plot_pairs(r) + plot_bleed(r) +
           plot_ring(r) + plot_image(r) + plot_worth(r) + plot_gates(r) + "</main>\n" +
           sound_script(parts.sounds, r.rate_hz) + "</body>\n</html>\n";
}

} // namespace kitfold::offline
