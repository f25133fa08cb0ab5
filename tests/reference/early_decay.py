#!/usr/bin/python3
"""Early decay of real drum strokes, one recording a stroke, from numpy and scipy: ISO 3382-1, early decay time.

Each of the strokes that a take's truth.json names is read from its own recording in the drum's close mic, with
nothing else playing: 30 Hz high-pass (Butterworth, 12 dB an octave), mean squares of 2 ms from the loudest on,
noise (the mean of the last tenth before the 40 ms fade) subtracted, cut where 10 ms come within 5 dB of it,
Schroeder's backward integral (JASA 37, 1965), and scipy.stats.linregress through its first 10 dB. Prints
{"kick": T60 in ms, ...}: medians over each drum's hard strokes (6 dB below the loudest or less; softer ones fall more
slowly). A kick that falls by 10 dB within two of its periods has no one figure (kick of kit b: 170 to 254 ms by kind
of high-pass alone), hence the one filter named here. Usage: early_decay.py HITS TAKE
"""
import json
import pathlib
import sys

import numpy as np
import soundfile
from scipy import signal, stats

BLOCK_S = 0.002
MICS = {"kick": "kick_close", "snare": "snare_close", "rack_tom": "tom_close"}


def early_ms(path):
    x, rate = soundfile.read(path)
    x = signal.sosfilt(signal.butter(2, 30, "highpass", fs=rate, output="sos"), x)
    size = round(rate * BLOCK_S)
    energy = (x[: len(x) // size * size].reshape(-1, size) ** 2).mean(1)
    energy = energy[np.argmax(energy[: len(energy) // 3]) : -20]
    noise = energy[len(energy) * 9 // 10 :].mean()
    smooth = np.convolve(energy, np.ones(5) / 5, "same")
    under = np.nonzero(smooth < 3.16 * noise)[0]
    cut = under[0] if len(under) else len(energy)
    left = np.maximum(np.cumsum((energy[:cut] - noise)[::-1])[::-1], 1e-20)
    level = 10 * np.log10(left / left[0])
    end = np.nonzero(level <= -10)[0][0] + 1
    return -60e3 / stats.linregress(np.arange(end) * BLOCK_S, level[:end]).slope


def recording(hits, truth, hit):
    stroke = f"{hit['articulation']}_v{hit['layer']}_r{hit['round_robin']}.flac"
    return hits / "hits" / ("kit_b" if truth.get("kit") == "b" else "kit") / MICS[hit["drum"]] / stroke


def main(hits, take):
    truth = json.loads((take / "truth.json").read_text())
    own = {drum for mic in truth["mics"] for drum in mic["own_drums"]}
    out = {}
    for drum in sorted(own & MICS.keys()):
        strokes = sorted((h for h in truth["hits"] if h["drum"] == drum), key=lambda h: -h["own_mic_peak_dbfs"])
        hard = [h for h in strokes if h["own_mic_peak_dbfs"] >= strokes[0]["own_mic_peak_dbfs"] - 6]
        if hard:
            out[drum] = float(np.median([early_ms(recording(hits, truth, h)) for h in hard]))
    print(json.dumps(out))


main(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]))
