#!/usr/bin/env python3
"""Cross spectrum, coherence and group delay by SciPy, on closed-form signals. pip install numpy==2.4.6 scipy==1.17.1"""
import json, pathlib
import numpy as np, scipy
from scipy import signal

fs = 8000.0
n = np.arange(2048)
# 16-bit linear congruential noise: any language can repeat it
state, noise = 1, []
for _ in range(2 * len(n)):
    state = (state * 25173 + 13849) % 65536
    noise.append(state / 65536 - 0.5)
noise = np.array(noise).astype(np.float32).astype(float)
x = (0.5 * np.sin(2 * np.pi * 1000 * n / fs) + noise[: len(n)]).astype(np.float32).astype(float)
y = (0.3 * np.sin(2 * np.pi * 1000 * n / fs - 0.8) + 0.4 * noise[: len(n)] + 0.5 * noise[len(n) :]).astype(np.float32).astype(float)
kw = dict(fs=fs, window="hann", nperseg=256, noverlap=128)
f, cxy = signal.coherence(x, y, **kw)
_, pxy = signal.csd(x, y, **kw)
odd = signal.welch(x, fs, window="blackmanharris", nperseg=255, noverlap=155, detrend=False)[1]

delays = []
for order, kind, edges, rate in [(2, "bandpass", [5500.0, 7500.0], 48000.0), (1, "bandpass", [6000.0, 6500.0], 96000.0), (4, "lowpass", [9000.0], 48000.0), (3, "highpass", [2000.0], 48000.0)]:
    sos = signal.butter(order, edges if len(edges) > 1 else edges[0], kind, fs=rate, output="sos")
    at = [6400.0, 7000.0]
    total = np.zeros(len(at))
    for s in sos:
        total += signal.group_delay((s[:3], s[3:]), w=at, fs=rate)[1]
    freqs = [500.0, 1900.0, 6400.0, 7000.0, 12000.0]
    h = signal.sosfreqz(sos, worN=freqs, fs=rate)[1]
    delays.append(dict(order=order, kind=kind, edges_hz=edges, fs_hz=rate, at_hz=at, delay_s=[float(v) for v in total / rate],
                       freq_hz=freqs, h_re=[float(v) for v in h.real], h_im=[float(v) for v in h.imag]))
json.dump(dict(
    source=f"scipy {scipy.__version__} (BSD-3-Clause): signal.coherence, csd, welch, butter, group_delay; our own script, no licence attaches",
    tolerance="relative 1e-6 for spectra of single-precision samples, 1e-9 for filters",
    fs_hz=fs, x=[float(v) for v in x], y=[float(v) for v in y], what="Hann 256, overlap 128, detrend constant; welch: Blackman-Harris 255, overlap 155, no detrending",
    coherence=[float(v) for v in cxy], csd_re=[float(v) for v in pxy.real], csd_im=[float(v) for v in pxy.imag], welch_odd=[float(v) for v in odd], delays=delays),
    open(pathlib.Path(__file__).with_name("signal.json"), "w"), indent=0)
