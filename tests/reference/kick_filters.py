#!/usr/bin/python3
"""Responses of the kick conditioner's filters, from scipy.signal.

High-pass and bleed cut: scipy.signal.butter. Low shelf and bell: coefficients as printed in R. Bristow-Johnson,
"Audio EQ Cookbook", evaluated by scipy.signal.sosfreqz. Prints the table, or with --check compares it to
kick_filters.csv beside this file.
"""
import math
import pathlib
import sys

import numpy as np
import scipy
from scipy import signal

RATES = (44100, 48000, 96000, 192000)


def low_shelf(rate, hz, db, slope):
    a = 10 ** (db / 40)
    w = 2 * math.pi * hz / rate
    alpha = math.sin(w) / 2 * math.sqrt((a + 1 / a) * (1 / slope - 1) + 2)
    c, r = math.cos(w), 2 * math.sqrt(a) * alpha
    b = [a * ((a + 1) - (a - 1) * c + r), 2 * a * ((a - 1) - (a + 1) * c), a * ((a + 1) - (a - 1) * c - r)]
    d = [(a + 1) + (a - 1) * c + r, -2 * ((a - 1) + (a + 1) * c), (a + 1) + (a - 1) * c - r]
    return np.array([b + d]) / d[0]


def bell(rate, hz, db, q):
    a = 10 ** (db / 40)
    w = 2 * math.pi * hz / rate
    alpha = math.sin(w) / (2 * q)
    b = [1 + alpha * a, -2 * math.cos(w), 1 - alpha * a]
    d = [1 + alpha / a, -2 * math.cos(w), 1 - alpha / a]
    return np.array([b + d]) / d[0]


def cases(rate):
    for slope in (6, 12, 18, 24):
        for hz in (10, 35, 200):
            yield "high_pass", hz, slope, 0, signal.butter(slope // 6, hz, "highpass", fs=rate, output="sos")
    for slope in (6, 12, 24):
        for hz in (500, 3000, 20000):
            yield "bleed_cut", hz, slope, 0, signal.butter(slope // 6, hz, "lowpass", fs=rate, output="sos")
    for hz, db, slope in ((30, 18, 1), (80, 6, 0.7), (400, -12, 0.3), (120, 9, 0.5)):
        yield "shelf", hz, db, slope, low_shelf(rate, hz, db, slope)
    for hz, db, q in ((150, -18, 4), (400, -6, 1), (900, -9, 0.5)):
        yield "box", hz, db, q, bell(rate, hz, db, q)


def rows():
    for rate in RATES:
        at = np.geomspace(10, 0.45 * rate, 25)
        for kind, hz, x, y, sos in cases(rate):
            _, h = signal.sosfreqz(sos, worN=at, fs=rate)
            for f, db in zip(at, 20 * np.log10(np.abs(h))):
                yield f"{rate},{kind},{hz},{x},{y},{f:.9g},{db:.6f}"


def main():
    header = "rate_hz,filter,hz,slope_or_db,slope_or_q,at_hz,response_db"
    if "--check" not in sys.argv:
        print(f"# scipy {scipy.__version__}, kick_filters.py\n{header}")
        print("\n".join(rows()))
        return 0
    kept = (pathlib.Path(__file__).parent / "kick_filters.csv").read_text().splitlines()[2:]
    made = list(rows())
    worst = max(abs(float(a.split(",")[-1]) - float(b.split(",")[-1])) for a, b in zip(kept, made))
    print(f"{len(made)} rows, worst difference {worst:.6f} dB")
    return 0 if len(kept) == len(made) and worst < 1e-3 else 1


if __name__ == "__main__":
    sys.exit(main())
