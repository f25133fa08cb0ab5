#include "core/fft.h"
#include "core/units.h"
#include "core/windows.h"
#include "offline/audition/audition.h"
#include "offline/check/plots.h"
#include "offline/check/words.h"
#include "offline/util/base64.h"
#include "offline/util/html.h"
#include <algorithm>
#include <cmath>
#include <fmt/format.h>
#include <numbers>

namespace kitfold::offline {
namespace {

constexpr double kExcerptS = 12.0;

constexpr const char* kStyle = R"(
:root{color-scheme:light dark;--paper:#fbfaf7;--ink:#1c1e21;--soft:#5b6168;--grid:#dcd9d0;--blue:#1b5e9b;--orange:#b85400;--card:#fff}
@media (prefers-color-scheme:dark){:root{--paper:#16181b;--ink:#e9e7e2;--soft:#a3a9b0;--grid:#33383e;--blue:#6db3f2;
--orange:#f0944a;--card:#1f2226}}
*{box-sizing:border-box}body{margin:0 auto;max-width:980px;padding:1rem;background:var(--paper);color:var(--ink);
font:16px/1.45 system-ui,sans-serif}h1{font-size:1.5rem;margin:.2rem 0}h2{font-size:1.1rem;margin:0 0 .4rem}
section,figure{margin:1rem 0;padding:.9rem;background:var(--card);border:1px solid var(--grid);border-radius:6px}
button{font:inherit;padding:.5rem .9rem;margin:.15rem;border:1px solid var(--soft);border-radius:4px;background:var(--paper);color:var(--ink)}
button[aria-pressed=true]{background:var(--blue);color:var(--card);border-color:var(--blue)}
label{margin-right:1rem}input[type=range]{width:14rem;vertical-align:middle}[hidden]{display:none!important}
figcaption,.soft{color:var(--soft);font-size:.9rem}svg{display:block;width:100%;height:auto;overflow:visible}
svg text{font:12px system-ui,sans-serif;fill:var(--soft)}@media (max-width:480px){svg text{font-size:18px}}.grid{stroke:var(--grid)}path{fill:none;stroke-width:2}
.open{stroke:var(--blue)}.deadened{stroke:var(--orange);stroke-dasharray:6 3}
.key{display:inline-block;width:1.8rem;border-top:3px solid var(--blue);margin:0 .3rem .25rem .6rem}
.key.b{border-top:3px dashed var(--orange)}table{border-collapse:collapse}td,th{padding:.2rem .8rem .2rem 0;text-align:right;
font-variant-numeric:tabular-nums}
)";

constexpr const char* kScript = R"(
'use strict';
const byId = id => document.getElementById(id);
const sides = ['open', 'deadened'];

function bufferOf(context, text, channels) {
  const bytes = Uint8Array.from(atob(text), c => c.charCodeAt(0));
  const samples = new Int16Array(bytes.buffer);
  const frames = samples.length / channels;
  const buffer = context.createBuffer(channels, frames, data.rate);
  for (let c = 0; c < channels; ++c) {
    const plane = buffer.getChannelData(c);
    for (let n = 0; n < frames; ++n) plane[n] = samples[n * channels + c] / 32768;
  }
  return buffer;
}

// Both sides run all the time from one clock and one start; switching only moves two gains.
function startPlayer(context, sound, side, at) {
  const master = context.createGain();
  master.connect(context.destination);
  const player = {context, master, gains: {}, sources: []};
  for (const s of sides) {
    const source = context.createBufferSource();
    source.buffer = bufferOf(context, sound[s], sound.channels);
    source.loop = true;
    const gain = context.createGain();
    gain.gain.value = s === side ? 1 : 0;
    source.connect(gain).connect(master);
    player.gains[s] = gain.gain;
    player.sources.push(source);
  }
  for (const source of player.sources) source.start(at);
  return player;
}
const kFadeS = 0.012;
function switchTo(player, side, at) {
  for (const s of sides) {
    const gain = player.gains[s];
    gain.cancelScheduledValues(at);
    gain.setValueAtTime(gain.value, at);
    gain.linearRampToValueAtTime(s === side ? 1 : 0, at + kFadeS);
  }
}

// Chance that somebody who only guesses has `right` or more of `trials` right.
function chanceOfGuessing(right, trials) {
  let sum = 0, ways = 1;
  for (let k = 0; k <= trials; ++k) {
    if (k >= right) sum += ways;
    ways = ways * (trials - k) / (k + 1);
  }
  return sum / Math.pow(2, trials);
}

let context = null, player = null, what = 'drum', side = 'open', blind = false, hidden = 'open', heard = 'open';
let right = 0, trials = 0;

function gainNow() { return Math.pow(10, Number(byId('volume').value) / 20); }
function draw() {
  byId('play').textContent = player ? 'Stop' : 'Play';
  byId('play').setAttribute('aria-pressed', String(player !== null));
  for (const s of [...sides, 'x']) byId('hear-' + s).setAttribute('aria-pressed', String(heard === s));
  for (const w of ['drum', 'kit']) byId('what-' + w).setAttribute('aria-pressed', String(what === w));
  byId('blind').hidden = !blind;
  byId('volume-text').textContent = byId('volume').value + ' dB';
  byId('score').textContent = trials === 0 ? 'No answer yet.' :
    right + ' of ' + trials + ' right. Somebody who only guesses does that well or better in ' +
    (100 * chanceOfGuessing(right, trials)).toFixed(1) + ' % of runs of ' + trials + '.';
}
function stop() {
  if (!player) return;
  const end = context.currentTime + 0.03;
  player.master.gain.setTargetAtTime(0, context.currentTime, 0.005);
  for (const source of player.sources) source.stop(end);
  player = null;
}
async function play() {
  if (!context) context = new AudioContext({sampleRate: data.rate});
  await context.resume();
  player = startPlayer(context, data.sounds[what], side, context.currentTime + 0.05);
  player.master.gain.value = gainNow();
}
function hear(which) {
  heard = which;
  side = which === 'x' ? hidden : which;
  if (player) switchTo(player, side, context.currentTime);
  draw();
}
function newTrial() {
  hidden = sides[crypto.getRandomValues(new Uint8Array(1))[0] & 1];
  hear('x');
}
function answer(guess) {
  ++trials;
  if (guess === hidden) ++right;
  byId('told').textContent = guess === hidden ? 'Right.' : 'Wrong: that was ' + hidden + '.';
  newTrial();
}
byId('play').onclick = async () => { if (player) stop(); else await play(); draw(); };
for (const s of [...sides, 'x']) byId('hear-' + s).onclick = () => hear(s);
for (const w of ['drum', 'kit']) byId('what-' + w).onclick = async () => {
  const on = player !== null;
  stop(); what = w;
  if (on) await play();
  draw();
};
for (const s of sides) byId('say-' + s).onclick = () => answer(s);
byId('blind-on').onchange = () => {
  blind = byId('blind-on').checked; right = trials = 0; byId('told').textContent = '';
  if (blind) newTrial(); else hear('open');
};
byId('volume').oninput = () => {
  if (player) player.master.gain.setTargetAtTime(gainNow(), context.currentTime, 0.02);
  draw();
};
draw();
)";

/// First frame of the excerpt: the stretch with the most hits of the drum.
std::size_t excerpt_start(const AuditionResult& r) {
    double best = 0.0;
    std::ptrdiff_t most = 0;
    for (const double t : r.times_s) {
        const auto count = std::count_if(r.times_s.begin(), r.times_s.end(), [t](double other) {
            return other >= t && other < t + kExcerptS - 1.0;
        });
        if (count > most) most = count, best = std::max(0.0, t - 0.1);
    }
    return static_cast<std::size_t>(best * r.rate_hz);
}

std::string excerpt(const Channels& sound, std::size_t start, int rate_hz) {
    start = std::min(start, sound[0].size());
    const auto frames = std::min(sound[0].size() - start, static_cast<std::size_t>(kExcerptS * rate_hz));
    const double fade = 0.005 * rate_hz; // the loop's ends meet in silence
    std::vector<std::int16_t> out;
    for (std::size_t n = 0; n < frames; ++n)
        for (const auto& channel : sound) {
            const double edge = std::min({1.0, double(n) / fade, double(frames - 1 - n) / fade});
            const double value = edge * static_cast<double>(channel[start + n]) * 32'768.0;
            out.push_back(static_cast<std::int16_t>(std::lround(std::clamp(value, -32'768.0, 32'767.0))));
        }
    return base64(out);
}

std::string sounds(const AuditionResult& r) {
    const auto start = excerpt_start(r);
    const auto pair = [&](const AuditionSound& a, const AuditionSound& b) {
        return fmt::format("{{\"channels\":{},\"open\":\"{}\",\"deadened\":\"{}\"}}", a.samples.size(),
                           excerpt(a.samples, start, r.rate_hz), excerpt(b.samples, start, r.rate_hz));
    };
    return fmt::format("const data={{\"rate\":{},\"sounds\":{{\"drum\":{},\"kit\":{}}}}};\n", r.rate_hz,
                       pair(r.open.drum, r.deadened.drum), pair(r.open.kit, r.deadened.kit));
}

using Points = std::vector<std::pair<double, double>>;

/// Third-octave levels in dB over the whole sound, base-ten bands of IEC 61260-1 from 31.5 Hz up.
Points third_octaves(const std::vector<float>& x, int rate_hz) {
    constexpr std::size_t kSize = 16'384;
    const dsp::RealFft fft(kSize);
    std::vector<float> frame(kSize);
    std::vector<std::complex<float>> bins(fft.bins());
    std::vector<double> power(fft.bins());
    for (std::size_t at = 0; at < x.size(); at += kSize / 2) {
        for (std::size_t n = 0; n < kSize; ++n) {
            const double w = dsp::hann(double(n), double(kSize));
            frame[n] = at + n < x.size() ? static_cast<float>(w) * x[at + n] : 0.0f;
        }
        fft.forward(frame, bins);
        for (std::size_t k = 0; k < bins.size(); ++k) power[k] += static_cast<double>(std::norm(bins[k]));
    }
    Points out;
    for (int band = -15; band <= 13; ++band) {
        const double hz = 1'000.0 * std::pow(10.0, band / 10.0), edge = std::pow(10.0, 0.05);
        if (hz * edge > 0.5 * rate_hz) break;
        double sum = 1e-20;
        for (auto k = static_cast<std::size_t>(std::ceil(hz / edge * kSize / rate_hz));
             k < power.size() && double(k) * rate_hz / kSize < hz * edge; ++k)
            sum += power[k];
        out.emplace_back(std::log2(hz), dsp::db_from_power(sum));
    }
    return out;
}

constexpr double kLowestDb = -60.0; // of the plots

Points decay_points(const dsp::RingResult& ring) {
    Points out;
    for (std::size_t n = 0; n < ring.curve_db.size() && ring.curve_db[n] >= kLowestDb; ++n)
        out.emplace_back(double(n) * dsp::kCurveStepMs, ring.curve_db[n]);
    return out;
}

/// A plot of both sides, 640 x 264, 0 to kLowestDb, with the ticks given; nothing where a side has no curve.
std::string plot(const std::string& label, const Points& a, const Points& b,
                 const std::vector<std::pair<double, std::string>>& ticks, const char* unit) {
    if (a.size() < 2 || b.size() < 2) return {};
    const double left = std::min(a.front().first, b.front().first),
                 right = std::max(a.back().first, b.back().first);
    const auto x = [&](double v) { return 50.0 + 580.0 * (v - left) / (right - left); };
    const auto y = [&](double v) {
        return 230.0 - 220.0 * (1.0 - std::clamp(v, kLowestDb, 0.0) / kLowestDb);
    };
    std::string out = "<svg viewBox=\"0 0 640 264\" role=\"img\" aria-label=\"" + label + "\">";
    for (double v = kLowestDb; v <= 0.0; v += 10.0)
        out += fmt::format(
            "<line class=\"grid\" x1=\"50\" x2=\"630\" y1=\"{0:.1f}\" y2=\"{0:.1f}\"/><text x=\"44\" "
            "y=\"{1:.1f}\" text-anchor=\"end\">{2:.0f}{3}</text>",
            y(v), y(v) + 4.0, v, v == 0.0 ? " dB" : "");
    out += fmt::format("<text x=\"630\" y=\"262\" text-anchor=\"end\">{}</text>", unit);
    for (const auto& [at, words] : ticks)
        if (at >= left && at <= right)
            out +=
                fmt::format("<line class=\"grid\" x1=\"{0:.1f}\" x2=\"{0:.1f}\" y1=\"10\" y2=\"230\"/><text "
                            "x=\"{0:.1f}\" y=\"248\" text-anchor=\"middle\">{1}</text>",
                            x(at), words);
    for (const auto& [name, points] : {std::pair{"open", &a}, std::pair{"deadened", &b}}) {
        std::string path;
        for (const auto& [px, py] : *points)
            path += fmt::format("{}{:.1f} {:.1f}", path.empty() ? "M" : "L", x(px), y(py));
        out += fmt::format("<path class=\"{}\" d=\"{}\"/>", name, path);
    }
    return out + "</svg>";
}

std::string figure(const char* id, const char* title, const std::string& plot, const char* caption) {
    const auto body =
        plot.empty()
            ? "<p class=\"soft\">Not enough undisturbed hits to show this.</p>"
            : fmt::format("{}<figcaption><span class=\"key\"></span>open <span class=\"key b\"></span>"
                          "deadened. {}</figcaption>",
                          plot, caption);
    return fmt::format("<figure id=\"{}\"><h2>{}</h2>{}</figure>\n", id, title, body);
}

std::string spectra(const AuditionResult& r) {
    const auto a = third_octaves(r.open.drum.samples[0], r.rate_hz),
               b = third_octaves(r.deadened.drum.samples[0], r.rate_hz);
    double high = -300.0;
    for (const auto* points : {&a, &b})
        for (const auto& p : *points) high = std::max(high, p.second);
    std::vector<std::pair<double, std::string>> ticks;
    for (const int hz : {50, 100, 200, 500, 1'000, 2'000, 5'000, 10'000})
        ticks.emplace_back(std::log2(hz),
                           hz < 1'000 ? fmt::format("{}", hz) : fmt::format("{}k", hz / 1'000));
    const auto relative = [high](Points points) {
        for (auto& p : points) p.second -= high;
        return points;
    };
    return figure("spectra", "Spectra", plot("Third-octave spectra", relative(a), relative(b), ticks, "Hz"),
                  "Third octaves of the drum's mic over all of it, dB re the highest, after level-matching.");
}

std::string decays(const AuditionResult& r) {
    const auto open = decay_points(r.open.ring), deadened = decay_points(r.deadened.ring);
    const double ms = static_cast<double>(std::max(open.size(), deadened.size())) * dsp::kCurveStepMs;
    int step = 50;
    for (const int wider : {100, 200, 500})
        if (ms > 7.0 * step) step = wider;
    std::vector<std::pair<double, std::string>> ticks;
    for (int at = 0; at <= ms; at += step) ticks.emplace_back(at, fmt::format("{}", at));
    return figure("decays", "Decay", plot("Decay curves", open, deadened, ticks, "ms"),
                  "Backward integral of the best undisturbed hit, dB over ms, until the noise floor.");
}

std::string ring_table(const AuditionResult& r) {
    const auto cell = [](const std::optional<double>& ms, bool sure) {
        return ms ? fmt::format("{:.0f}{}", *ms, sure ? "" : "?") : std::string("-");
    };
    std::string rows;
    for (const auto& ring : r.rings)
        rows += fmt::format("<tr><th>{}</th><td>{}</td><td>{}</td></tr>",
                            ring.hz > 0.0 ? ring.what : "whole drum, " + ring.what,
                            cell(ring.open_ms, ring.sure), cell(ring.deadened_ms, ring.sure));
    return "<section id=\"rings\"><h2>Ring times</h2><table><tr><th></th><th>open, ms</th><th>deadened, "
           "ms</th></tr>" +
           rows +
           "</table><p class=\"soft\">Time to fall by 60 dB. A dash: not to be seen in this take. A question "
           "mark: rough; a few single strokes left to ring out would tell.</p></section>\n";
}

constexpr const char* kPlayer = R"(<section id="player"><h2>Listen</h2>
<p id="caution"><strong>Starts quiet, at -30 dB.</strong> Put the volume of your headphones or speakers low before you play
and turn up slowly. Drums are loud and can harm your hearing; follow the rules on noise where you live.</p>
<p><button id="play" aria-pressed="false">Play</button>
<button id="what-drum">The drum's mic</button><button id="what-kit">The whole kit</button></p>
<p><button id="hear-open">A: open</button><button id="hear-deadened">B: deadened</button></p>
<p><label>Volume <input id="volume" type="range" min="-60" max="0" step="1" value="-30"></label><span id="volume-text"></span></p>
<p><label><input id="blind-on" type="checkbox"> Blind: X is A or B by chance; listen to all three, then say which</label></p>
<div id="blind" hidden><p><button id="hear-x">X</button>
<button id="say-open">X is A, open</button><button id="say-deadened">X is B, deadened</button></p>
<p aria-live="polite"><span id="told"></span> <span id="score"></span></p>
<p class="soft">Settle on a number of answers before you begin; stopping when the score looks good makes guessing look like hearing.</p></div>
</section>
)";

} // namespace

std::string audition_page(const AuditionResult& r) {
    const auto drum = drum_words(r.drum).substr(4);
    const auto title = escaped(r.title.empty() ? r.mic : r.title + ": " + r.mic);
    std::string out =
        "<!doctype html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta name=\"viewport\" "
        "content=\"width=device-width\">\n<title>Open or deadened: " +
        title + "</title>\n<style>" + kStyle +
        "</style>\n</head>\n<body>\n<p class=\"soft\">Open or deadened: " + title + "</p>\n<h1>" +
        escaped(audition_sentence(r)) + "</h1>\n";
    out += fmt::format(
        "<p>{}, {} hits. {} Both are at the same loudness; the louder one was turned down, by {:.1f} dB "
        "(drum) and {:.1f} dB (kit).</p>\n",
        escaped(drum), r.hits,
        r.damp ? fmt::format("Deadened by Kitfold Damp, amount {:.2f}.", r.amount)
               : "Two real takes, hits of like strength side by side.",
        std::max(r.open.drum.turned_down_db, r.deadened.drum.turned_down_db),
        std::max(r.open.kit.turned_down_db, r.deadened.kit.turned_down_db));
    for (const auto& notice : r.notices) out += "<p>" + escaped(notice) + "</p>\n";
    out += kPlayer + ring_table(r) + decays(r) + spectra(r);
    out += "<section id=\"room\"><h2>In the room</h2><p>What was never recorded can't be put back: when you "
           "cut a ring from an "
           "old head, cut away from yourself on a firm base and keep the blade covered when it lies down. "
           "Blankets and tape "
           "come off again; a hole does not close. Keep cables and stands out of the way of "
           "feet.</p></section>\n";
    return out + "<script>\n" + sounds(r) + kScript + "</script>\n</body>\n</html>\n";
}

} // namespace kitfold::offline
