#!/usr/bin/env python3
"""What each awkward WAV of open-data/{wav-scipy,wav-hound} holds, as scipy.io.wavfile reads it; writes wav_facts.json.

Needs numpy and scipy 1.17. The files come unchanged from the scipy wheel (scipy/io/tests/data) and from ruuda/hound,
commit bc5bd31e413b59e75cb8f76bc95172b1966ef823 (testsamples); each folder holds its licence."""
import glob, json, os, pathlib, warnings
import scipy
from scipy.io import wavfile

HERE = pathlib.Path(__file__).resolve().parent
DATA = HERE / "open-data"
facts = []
for path in sorted(glob.glob(str(DATA / "wav-*/*.wav"))):
    raw = open(path, "rb").read()
    fact = dict(file=os.path.relpath(path, DATA), bytes=len(raw), container=raw[:4].decode("latin1"))
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            rate, x = wavfile.read(path)
        x = x[:, None] if x.ndim == 1 else x
        plain = (lambda v: float(v)) if x.dtype.kind == "f" else (lambda v: int(v))
        fact.update(rate_hz=int(rate), channels=x.shape[1], frames=x.shape[0],
                    scipy_dtype=x.dtype.newbyteorder("<").str[1:],
                    first_frames=[[plain(v) for v in row] for row in x[:3]],
                    last_frame=[plain(v) for v in x[-1]] if len(x) else [],
                    warnings=[str(w.message)[:70] for w in caught])
    except Exception as error:
        fact.update(scipy_error=f"{type(error).__name__}: {error}"[:110])
    facts.append(fact)
json.dump(dict(source=f"scipy.io.wavfile {scipy.__version__} (BSD-3-Clause)",
               notes="integer samples unscaled, n bits at the top of their container; 8 bits and fewer unsigned, 128 is zero",
               tolerance="exact", cases=facts), open(HERE / "wav_facts.json", "w"), indent=1)
