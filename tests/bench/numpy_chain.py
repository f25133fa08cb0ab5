#!/usr/bin/python3
"""The chain of chain_bench.cpp in numpy and scipy.signal: ten mics, ten seconds at 48 kHz.

Everything that has a vector form uses it, to numpy's advantage: the gate's peak is a running maximum, its attack and
release are drawn between the few moments at which it opens and closes, the compressor's release is a running maximum in
the log domain (which leaves out the part of equation 17 that follows the input while it falls). Prints nanoseconds of
processor time per mic-sample (of the bus: per stereo frame), whole chain and block by block, the least of three rounds,
as JSON.
"""
import json
import math
import time

import numpy as np
from scipy import ndimage, signal

RATE, MICS, SECONDS = 48000, 10, 10


def drums(frames, mic):
    random = np.random.default_rng(mic)
    since = ((np.arange(frames) + 977 * mic) % 24000) / 24000
    return ((random.random(frames) - 0.5) * np.exp(-8 * since)).astype(np.float32)


def shelf(hz, db, slope):
    a, w = 10 ** (db / 40), 2 * math.pi * hz / RATE
    r = 2 * math.sqrt(a) * math.sin(w) / 2 * math.sqrt((a + 1 / a) * (1 / slope - 1) + 2)
    c = math.cos(w)
    b = [a * ((a + 1) - (a - 1) * c + r), 2 * a * ((a - 1) - (a + 1) * c), a * ((a + 1) - (a - 1) * c - r)]
    d = [(a + 1) + (a - 1) * c + r, -2 * ((a - 1) + (a + 1) * c), (a + 1) + (a - 1) * c - r]
    return np.array([b + d]) / d[0]


def bell(hz, db, q):
    a, w = 10 ** (db / 40), 2 * math.pi * hz / RATE
    alpha = math.sin(w) / (2 * q)
    d = [1 + alpha / a, -2 * math.cos(w), 1 - alpha / a]
    return np.array([[1 + alpha * a, -2 * math.cos(w), 1 - alpha * a] + d]) / d[0]


STRIP = np.concatenate([signal.butter(4, 35, "highpass", fs=RATE, output="sos"), shelf(80, 6, 0.7), bell(400, -3, 1),
                        signal.butter(4, 8000, "lowpass", fs=RATE, output="sos")])
KEY = np.concatenate([signal.butter(2, 60, "highpass", fs=RATE, output="sos"),
                      signal.butter(2, 2000, "lowpass", fs=RATE, output="sos")])
BUS_KEY = signal.butter(2, 80, "highpass", fs=RATE, output="sos")


def delayed(x, samples):
    whole, part = int(samples), samples - int(samples)
    n = np.arange(32) - 15 - part
    fir = np.sinc(n) * np.interp(n, np.linspace(-16, 16, 65), np.kaiser(65, 5))
    return np.concatenate([np.zeros(whole, np.float32), signal.oaconvolve(x, fir.astype(np.float32))])[:len(x)]


def gate(x):
    level = ndimage.maximum_filter1d(np.abs(signal.sosfilt(KEY, x)), 720, origin=359)
    state = np.where(level >= 10 ** (-30 / 20), 1, np.where(level < 10 ** (-34 / 20), 0, -1))
    last = np.maximum.accumulate(np.where(state >= 0, np.arange(len(x)), 0))
    is_open = ndimage.maximum_filter1d((state[last] == 1).astype(np.uint8), 2880, origin=1439)
    edges = np.flatnonzero(np.diff(is_open)) + 1
    at, db = [0], [-40.0]
    for e in edges:
        at += [e, e + (24 if is_open[e] else 9600)]
        db += [-40.0, 0.0] if is_open[e] else [0.0, -40.0]
    return x * 10 ** (np.interp(np.arange(len(x)), at, db) / 20)


def bus(left, right):
    level = np.maximum(np.abs(signal.sosfilt(BUS_KEY, left)), np.abs(signal.sosfilt(BUS_KEY, right)))
    over = 20 * np.log10(np.maximum(level, 1e-10)) + 18
    want = 0.5 * np.where(2 * over < -6, 0, np.where(2 * over > 6, over, (over + 3) ** 2 / 12))
    fall = np.arange(len(want)) / (RATE * 0.15)
    with np.errstate(divide="ignore"):
        peak = np.exp(np.maximum.accumulate(np.log(want) + fall) - fall)
    step = -math.expm1(-1 / (RATE * 0.03))
    gain = 10 ** (-signal.lfilter([step], [1, step - 1], peak) / 20)
    return left * gain, right * gain


def chain(mics):
    left, right = np.zeros(len(mics[0])), np.zeros(len(mics[0]))
    for m, x in enumerate(mics):
        x = gate(signal.sosfilt(STRIP, delayed(x, 0.37 * m * RATE / 1000)))
        left += 0.7071 * x
        right += 0.7071 * x
    return bus(left, right)


def nanoseconds(work, items):
    """Processor time per item, the least of three."""
    best = math.inf
    for _ in range(3):
        before = time.process_time()
        work()
        best = min(best, time.process_time() - before)
    return round(best * 1e9 / items, 3)


def summed(mics):
    left, right = np.zeros(len(mics[0])), np.zeros(len(mics[0]))
    for m, x in enumerate(mics):
        x = delayed(x, 0.37 * m * RATE / 1000)
        left += 0.7071 * x
        right += 0.7071 * x


def main():
    mics = [drums(RATE * SECONDS, m) for m in range(MICS)]
    one = RATE * SECONDS
    rows = {"kick": nanoseconds(lambda: signal.sosfilt(STRIP, mics[0]), one),
            "gate": nanoseconds(lambda: gate(mics[0]), one),
            "bus": nanoseconds(lambda: bus(mics[0], mics[1]), one),
            "sum": nanoseconds(lambda: summed(mics), one * MICS)}
    print(json.dumps({"numpy_ns": nanoseconds(lambda: chain(mics), one * MICS), "blocks": rows}))


if __name__ == "__main__":
    main()
