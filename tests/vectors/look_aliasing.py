#!/usr/bin/env python3
"""Whether folded energy shows in the data: recordings that were sampled without a filter against the same with one.
Prints the fall of the spectrum towards half the rate (median from 0.36 to 0.40 of the rate over that from 0.48 to 0.498, dB), and how
far whole engine orders above half the rate stand over what lies between them. Makes no vector. pip install numpy scipy"""
import json, pathlib
import numpy as np
from scipy import signal
from scipy.io import wavfile

here = pathlib.Path(__file__).parent
demo = here.parent.parent / "demo-logs"


def fall(x, fs):
    f, p = signal.welch(x, fs, nperseg=1024)
    level = lambda a, b: 10 * np.log10(np.median(p[(f >= a * fs) & (f < b * fs)]))
    return level(0.36, 0.40) - level(0.48, 0.498)


records = [(name, by) for by, names in (((2, 3, 6), sorted(demo.glob("*.wav"))), ((4,), sorted((here / "open-data/rcm").glob("*.wav")))) for name in names]
for name, slower in records:
    fs, samples = wavfile.read(name)
    samples = samples.reshape(len(samples), -1).astype(float)
    for channel in range(min(2, samples.shape[1])):
        x = samples[:, channel]
        line = [f"as it is {fall(x, fs):.1f}"]
        for by in slower:
            with_filter = signal.decimate(x, by, ftype="fir")
            line.append(f"/{by} folded {fall(x[::by], fs / by):.1f} filtered {fall(with_filter, fs / by):.1f}")
        print(name.name, channel + 1, "; ".join(line))

# An order above half the rate still turns with the crank, sample by sample: it can be summed over its own angle.
fs, samples = wavfile.read(demo / "evening-three-excerpt.wav")
truth = json.loads((demo / "evening-three-excerpt.truth.json").read_text())
tdc_s = np.array([event["t_s"] for event in truth["events"]])
for by in (3, 6):
    x, rate = samples[::by, 0] / 32768, fs / by
    t = np.arange(len(x)) / rate
    turns = np.interp(t, tdc_s, 0.5 * np.arange(len(tdc_s)))
    rpm, sums = np.gradient(turns, t) * 60, []
    for order in range(2, 400):
        above = (t > 1.5) & (t < 6.5) & (order * rpm / 60 > 0.51 * rate)
        if above.sum() > rate:
            power = lambda k: abs(np.mean(x[above] * np.exp(-2j * np.pi * k * turns[above]))) ** 2
            sums.append([power(order), np.mean([power(order + apart) for apart in (0.27, 0.41, 0.73)])])
    whole, between = np.sum(sums, axis=0)
    print(f"/{by}: {len(sums)} orders above half the rate stand {10 * np.log10(whole / between):.1f} dB over what lies between")
