"""The peers that run in Python: told by a line when to work once, each answers with milliseconds and the figure that came out.

usage: peers.py NAME FOLDER"""
import sys
import time
from pathlib import Path

import numpy as np

BANDS_HZ = [(4e3, 5e3), (5.5e3, 7e3), (7e3, 8.5e3), (9e3, 11e3), (12e3, 14e3), (15e3, 18e3)]
SEGMENT, HOP, RATE_HZ = 1024, 512, 48_000
BLOCK = 512


def noise(folder):
    return np.fromfile(folder / "noise.f32", dtype="<f4")


def stft(folder):
    from scipy import fft, signal
    x = noise(folder)
    taper = signal.get_window("hann", SEGMENT).astype(np.float32)
    taper *= 2 / taper.sum()
    frames = np.lib.stride_tricks.sliding_window_view(x, SEGMENT)[::HOP]
    out = np.ones((len(frames), SEGMENT // 2 + 1), np.float32)

    def work():
        for at in range(0, len(frames), BLOCK):
            spectrum = fft.rfft(frames[at:at + BLOCK] * taper, axis=1, workers=1)
            power = spectrum.real ** 2 + spectrum.imag ** 2
            power[:, [0, -1]] *= 0.25
            np.log10(power, out=out[at:at + BLOCK])
            out[at:at + BLOCK] *= 10
        return out.mean(dtype=float)
    return work


def bands(kind):
    def prepare(folder):
        from scipy import signal
        x = noise(folder).astype(kind)
        filters = [signal.butter(4, edges, "bandpass", output="sos", fs=RATE_HZ).astype(kind) for edges in BANDS_HZ]

        def work():
            total = 0.0
            for sos in filters:
                y = signal.sosfilt(sos, x)
                whole = len(y) // 480 * 480
                total += np.square(y[:whole]).reshape(-1, 480).sum(axis=1).sum(dtype=float)
            return 10 * np.log10(total / len(x))
        return work
    return prepare


def log_pandas(folder):
    import pandas
    return lambda: float(np.nansum(pandas.read_csv(folder / "log.csv").to_numpy(float)))


def log_polars(folder):
    import polars
    return lambda: float(sum(polars.read_csv(folder / "log.csv").sum().row(0)))


def job(folder):
    import peer

    def work():
        levels = peer.levels(folder, "job-10")
        z, knock = peer.normalised(levels), levels[:, 3] > 0
        return peer.auc(z[knock], z[~knock])
    return work


PEERS = {
    "scipy-rfft": stft,
    "scipy-sosfilt-f64": bands(np.float64),
    "scipy-sosfilt-f32": bands(np.float32),
    "pandas": log_pandas,
    "polars": log_polars,
    "peer.py": job,
}

if __name__ == "__main__":
    work = PEERS[sys.argv[1]](Path(sys.argv[2]))
    print("ready", flush=True)
    for _ in sys.stdin:
        start = time.perf_counter()
        figure = work()
        print((time.perf_counter() - start) * 1e3, figure, flush=True)
