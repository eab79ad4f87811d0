#!/usr/bin/env python3
"""Energy, peak and ratio of each combustion of the demo's third evening by SciPy, between TDCs as the generator states them.
pip install numpy==2.4.6 scipy==1.17.1"""
import json, pathlib
import numpy as np, scipy
from scipy import signal
from scipy.io import wavfile

here = pathlib.Path(__file__).parent
demo = here.parent.parent / "demo-logs"
band_hz, window, reference = [5000.0, 7000.0], [8.0, 60.0], [-60.0, -20.0]
fs, samples = wavfile.read(demo / "evening-three-excerpt.wav")
truth = json.loads((demo / "evening-three-excerpt.truth.json").read_text())
sos = signal.butter(4, band_hz, "bandpass", fs=fs, output="sos")
heard = [signal.sosfiltfilt(sos, samples[:, channel] / 32768.0) for channel in (0, 1)]
# a four-cylinder four-stroke fires every 180 degrees: angles lie evenly between TDCs
tdc_s = np.array([event["t_s"] for event in truth["events"]])
angle = 180.0 * np.arange(len(tdc_s))


def squares(y, from_deg, to_deg):
    """Mean square between two angles, samples at the ends by their share, and the largest of them."""
    a, b = np.interp([from_deg, to_deg], angle, tdc_s) * fs
    first, last = int(np.floor(a)), int(np.ceil(b))
    total = np.concatenate([[0.0], np.cumsum(y[first:last] ** 2)])
    at = np.interp([a - first, b - first], np.arange(len(total)), total)
    return (at[1] - at[0]) / (b - a), float((y[first:last] ** 2).max())


rows = []
for index, event in enumerate(truth["events"]):
    if not 2.0 < event["t_s"] < 6.5 or not 1 <= index < len(tdc_s) - 2:
        continue
    y = heard[0 if event["cylinder"] in (1, 2) else 1]
    energy, peak = squares(y, angle[index] + window[0], angle[index] + window[1])
    before, _ = squares(y, angle[index] + reference[0], angle[index] + reference[1])
    levels = [round(float(10 * np.log10(x)), 5) for x in (energy, peak, energy / before)]
    rows.append([event["t_s"], event["cylinder"], int(event["knock"]), *levels])
out = {
    "source": f"scipy {scipy.__version__}: butter(4) band-pass, sosfiltfilt over the whole recording; TDC and knock as the demo's generator states them",
    "file": "evening-three-excerpt.wav", "band_hz": band_hz, "window_deg": window, "reference_deg": reference,
    "columns": ["t_s", "cylinder", "knock", "energy_db", "peak_db", "ratio_db"], "events": rows,
}
text = json.dumps(out).replace("], [", "],\n[")
(here / "levels.json").write_text(text + "\n")
