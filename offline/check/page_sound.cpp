#include "offline/check/page_sound.h"
#include "offline/util/base64.h"
#include <algorithm>
#include <fmt/format.h>

namespace kitfold::offline {
namespace {

constexpr const char* kScript = R"(
'use strict';
let context = null, playing = null; // {pair, side, master, gains, sources}
const volume = document.getElementById('volume');
const gainNow = () => Math.pow(10, Number(volume.value) / 20);

function bufferOf(text) {
  const bytes = Uint8Array.from(atob(text), c => c.charCodeAt(0));
  const samples = new Int16Array(bytes.buffer);
  const buffer = context.createBuffer(1, samples.length, rate);
  buffer.getChannelData(0).set(Float32Array.from(samples, s => s / 32768));
  return buffer;
}
// Both sides run from one start; switching only moves two gains.
function start(pair) {
  const master = context.createGain();
  master.gain.value = gainNow();
  master.connect(context.destination);
  playing = {pair, master, gains: {}, sources: []};
  for (const side of ['before', 'after']) {
    const source = context.createBufferSource(), gain = context.createGain();
    source.buffer = bufferOf(sounds[pair][side]);
    source.loop = true;
    gain.gain.value = 0;
    source.connect(gain).connect(master);
    playing.gains[side] = gain.gain;
    playing.sources.push(source);
  }
  const at = context.currentTime + 0.05;
  for (const source of playing.sources) source.start(at);
}
function stop() {
  if (!playing) return;
  playing.master.gain.setTargetAtTime(0, context.currentTime, 0.005);
  for (const source of playing.sources) source.stop(context.currentTime + 0.03);
  playing = null;
}
function draw() {
  for (const button of document.querySelectorAll('button[data-pair]'))
    button.setAttribute('aria-pressed', String(playing !== null && playing.pair === button.dataset.pair &&
                                               playing.side === button.dataset.side));
  document.getElementById('volume-text').textContent = volume.value + ' dB';
}
async function press(pair, side) {
  context ??= new AudioContext({sampleRate: rate});
  await context.resume();
  if (playing && playing.pair === pair && playing.side === side) {
    stop();
  } else {
    if (!playing || playing.pair !== pair) { stop(); start(pair); }
    playing.side = side;
    for (const s of ['before', 'after'])
      playing.gains[s].setTargetAtTime(s === side ? 1 : 0, context.currentTime, 0.004);
  }
  draw();
}
for (const button of document.querySelectorAll('button[data-pair]'))
  button.onclick = () => press(button.dataset.pair, button.dataset.side);
volume.oninput = () => {
  if (playing) playing.master.gain.setTargetAtTime(gainNow(), context.currentTime, 0.02);
  draw();
};
draw();
)";

} // namespace

std::string sound_volume(const std::vector<FixSound>& sounds) {
    if (sounds.empty()) return {};
    return "<p class=\"hear soft\">Each fix can be heard, before and after at the same loudness. It starts "
           "quiet, at -30 dB: "
           "put your volume low and turn up slowly; drums are loud and can harm your hearing. <label>Volume "
           "<input "
           "id=\"volume\" type=\"range\" min=\"-60\" max=\"0\" step=\"1\" value=\"-30\"></label> <span "
           "id=\"volume-text\">-30 dB</span></p>\n";
}

std::string sound_buttons(std::size_t pair, const std::vector<FixSound>& sounds) {
    if (std::none_of(sounds.begin(), sounds.end(), [=](const FixSound& s) { return s.pair == pair; }))
        return {};
    std::string out = "<p class=\"hear\">";
    for (const char* side : {"before", "after"})
        out +=
            fmt::format("<button data-pair=\"{}\" data-side=\"{}\" aria-pressed=\"false\">Hear {}</button>",
                        pair, side, side);
    return out + "</p>";
}

std::string sound_script(const std::vector<FixSound>& sounds, double rate_hz) {
    if (sounds.empty()) return {};
    auto out = fmt::format("<script>\nconst rate = {:.0f};\nconst sounds = {{\n", rate_hz);
    for (const auto& s : sounds)
        out += fmt::format("{}: {{before: '{}', after: '{}'}},\n", s.pair, base64(s.before), base64(s.after));
    return out + "};\n" + kScript + "</script>\n";
}

} // namespace kitfold::offline
