#include "offline/check/page.h"
#include "offline/check/plots.h"
#include "offline/check/words.h"
#include "offline/util/html.h"
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

// Blue and orange differ in lightness as well as in hue, so they stay apart in print and for every kind of
// colour vision.
constexpr const char* kStyle = R"(
:root{color-scheme:light dark;--paper:#fbfaf7;--ink:#1c1e21;--soft:#5b6168;--grid:#dcd9d0;--blue:#1b5e9b;--orange:#b85400;
--teal:#0d7c74;--plum:#7b4a8f;--alarm:#a8201a;--card:#ffffff}
@media (prefers-color-scheme:dark){:root{--paper:#16181b;--ink:#e9e7e2;--soft:#a3a9b0;--grid:#33383e;--blue:#6db3f2;
--orange:#f0944a;--teal:#4cc4b8;--plum:#c79bdb;--alarm:#ff8a80;--card:#1f2226}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:1180px;padding:1rem;background:var(--paper);color:var(--ink);font:16px/1.45 system-ui,sans-serif}
h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.1rem;margin:0 0 .4rem}
p{margin:.3rem 0}header p,figcaption{color:var(--soft)}figcaption{font-size:.88rem}
main{display:grid;grid-template-columns:repeat(auto-fit,minmax(min(100%,460px),1fr));gap:1rem}
figure{margin:0;padding:.9rem;background:var(--card);border:1px solid var(--grid);border-radius:6px;min-width:0}
figure.wide{grid-column:1/-1}.plot{overflow-x:auto}.wide svg{min-width:680px!important}svg{display:block;width:100%;height:auto;min-width:430px;overflow:visible}
svg text{font:13px system-ui,sans-serif;fill:var(--ink)}svg .tick{font-size:12px;fill:var(--soft)}svg .head{font-weight:600}
.grid{stroke:var(--grid)}.axis{stroke:var(--soft)}.floor{stroke:var(--soft);stroke-dasharray:1 4}
.hits{stroke-width:1.4;fill:none}.h0{stroke:var(--blue);fill:var(--blue)}.h1{stroke:var(--orange);fill:var(--orange)}
.h2{stroke:var(--teal);fill:var(--teal)}.h3{stroke:var(--plum);fill:var(--plum)}
.level{fill:var(--blue);fill-opacity:.55}.fault line,line.fault{stroke:var(--alarm);stroke-width:2}.fault text{fill:var(--alarm);font-weight:600}
.wave{fill:none;stroke-width:1.6}.wave.first{stroke:var(--blue)}.wave.second{stroke:var(--orange);stroke-dasharray:5 2}
.keys{font-weight:600}.key{display:inline-block;width:1.6rem;border-top:3px solid;margin:0 .3rem .25rem .4rem}
.key.first{border-color:var(--blue)}.key.second{border-color:var(--orange);border-top-style:dashed}
.decay{fill:none;stroke:var(--blue);stroke-width:2.4}.partial{stroke:var(--orange);stroke-width:1;stroke-dasharray:4 2}
.speaker{fill:var(--soft)}.listener{fill:none;stroke:var(--ink);stroke-width:2}.drum{stroke:none}.leader{stroke:var(--soft)}
.apart{stroke:var(--teal);stroke-width:10;stroke-opacity:.45}
.softest{fill:var(--blue)}.loudest{fill:var(--orange)}.threshold{stroke:var(--ink);stroke-width:3}
.less{fill:var(--blue)}.more{fill:var(--orange)}
table{border-collapse:collapse;font-size:.82rem}th{font-weight:600;text-align:left;padding:.2rem .35rem;white-space:nowrap}
td{text-align:right;padding:.2rem .35rem;background:color-mix(in srgb,var(--blue) var(--heat,0%),var(--card));
border:1px solid var(--card);font-variant-numeric:tabular-nums}td.hot{color:var(--card)}
ol.verdicts{list-style:none;padding:0;margin:.8rem 0}ol.verdicts li{padding:.5rem .8rem;margin:.4rem 0;background:var(--card);
border:1px solid var(--grid);border-left:6px solid var(--soft);border-radius:4px}
li.fix{border-left-color:var(--alarm)!important}li.good{border-left-color:var(--teal)!important}
.mark{font-weight:700;margin-right:.5rem}li dl{display:grid;grid-template-columns:auto 1fr;gap:.1rem .7rem;margin:.3rem 0 0;font-size:.92rem}
dt{color:var(--soft)}dd{margin:0}ul{padding-left:1.2rem;font-size:.9rem}
@media print{:root{--paper:#fff;--ink:#000;--soft:#444;--grid:#ccc;--blue:#1b5e9b;--orange:#b85400;--teal:#0d7c74;--plum:#7b4a8f;
--alarm:#a8201a;--card:#fff}body{font-size:11pt;max-width:none}main{display:block}figure{break-inside:avoid;margin-bottom:.6rem}
.plot{overflow:visible}svg,.wide svg{min-width:0!important;max-height:9cm}
*{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
)";

std::string verdict_item(const Verdict& v) {
    const char* kind = v.weight == Weight::fix ? "fix" : "look";
    const char* mark = v.weight == Weight::fix ? "Fix" : "Look";
    std::string help;
    if (!v.source.empty()) help += "<dt>At the source</dt><dd>" + escaped(v.source) + "</dd>";
    if (!v.software.empty()) help += "<dt>In software</dt><dd>" + escaped(v.software) + "</dd>";
    return fmt::format("<li class=\"{}\"><span class=\"mark\">{}</span>{}{}</li>\n", kind, mark,
                       escaped(v.text), help.empty() ? "" : "<dl>" + help + "</dl>");
}

} // namespace

std::string check_report(const CheckResult& r, const std::string& title) {
    const auto name = escaped(title.empty() ? "Mic check" : title + ": mic check");
    std::string out =
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" "
        "content=\"width=device-width,initial-scale=1\">\n<link rel=\"icon\" href=\"data:,\">\n<title>" +
        name + "</title>\n<style>" + kStyle + "</style>\n</head>\n<body>\n<header><h1>" + name + "</h1>\n";
    out += fmt::format("<p>{} mics, {} at {:.0f} Hz, {} hits.</p></header>\n<ol class=\"verdicts\">\n",
                       r.names.size(), length_words(r), r.rate_hz, r.hits.size());
    for (const auto& v : verdicts(r)) out += verdict_item(v);
    out += "</ol>\n<main>\n" + plot_take(r) + plot_mics(r) + plot_pairs(r) + plot_bleed(r) + plot_ring(r) +
           plot_image(r) + plot_worth(r) + plot_gates(r);
    return out + "</main>\n</body>\n</html>\n";
}

} // namespace kitfold::offline
