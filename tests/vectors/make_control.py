"""A control unit's own band-pass by scipy: delay at the band's centre, and the level of a burst in the moved window.

Writes control.json. Our own script; scipy is BSD-3-Clause.
"""
import json
import pathlib

import numpy as np
import scipy
from scipy import signal

RATE_HZ, RPM, TDC_S = 96000.0, 6000.0, 0.05
DEG_PER_S = 6.0 * RPM
t = np.arange(9600) / RATE_HZ
deg = (t - TDC_S) * DEG_PER_S
# As single precision: a burst from 12 to 30 degrees over a tone that is always there.
x = (np.where((deg >= 12.0) & (deg < 30.0), 0.1 * np.sin(2 * np.pi * 6400.0 * t), 0.0)
     + 0.003 * np.sin(2 * np.pi * 7300.0 * t)).astype(np.float32).astype(float)


def edges(centre_hz, q):
    half = 0.5 / q
    root = np.sqrt(1.0 + half * half)
    return [centre_hz * (root - half), centre_hz * (root + half)]


cases = []
for order, centre_hz, q in [(2, 6400.0, 8.0), (2, 6000.0, 3.0), (4, 6600.0, 4.0)]:
    rate = 40.0 * centre_hz
    sos = signal.butter(order // 2, edges(centre_hz, q), "bandpass", fs=rate, output="sos")
    delay_s = sum(signal.group_delay((s[:3], s[3:]), w=[centre_hz], fs=rate)[1][0] for s in sos) / rate
    y = signal.sosfilt(signal.butter(order // 2, edges(centre_hz, q), "bandpass", fs=RATE_HZ, output="sos"), x)
    moved = delay_s * DEG_PER_S
    # The window of 10 to 40 degrees, moved, its edges outwards to whole degrees; a sample lasts to the next one, and counts
    # by the share of it that lies inside.
    start, end = np.floor(10.0 + moved), np.ceil(40.0 + moved)
    first, last = [TDC_S * RATE_HZ + edge / DEG_PER_S * RATE_HZ for edge in (start, end)]
    n = np.arange(len(x))
    inside = np.clip(np.minimum(n + 1, last) - np.maximum(n, first), 0.0, 1.0)
    cases.append(dict(order=order, centre_hz=centre_hz, q=q, delay_s=float(delay_s), window_deg=[float(start), float(end)],
                      energy_db=float(10 * np.log10(np.sum(inside * y ** 2) / (last - first)))))
json.dump(dict(source=f"scipy {scipy.__version__} (BSD-3-Clause): signal.butter, group_delay, sosfilt; our own script",
               rate_hz=RATE_HZ, rpm=RPM, tdc_s=TDC_S, cases=cases),
          open(pathlib.Path(__file__).with_name("control.json"), "w"), indent=0)
