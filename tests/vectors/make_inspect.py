#!/usr/bin/env python3
"""What `ringdown inspect` must say of a file of each kind, worked out by libsndfile (python-soundfile), numpy and Python's
csv; writes inspect.json. Also sound/marked.wav: marks and a time stamp as a field recorder leaves them, put together by
struct after EBU Tech 3285 (bext) and Microsoft's Multimedia Data Standards Update 1.0.3 (cue, LIST adtl)."""
import csv, gzip, io, json, pathlib, struct, zipfile
import numpy as np, soundfile as sf

HERE = pathlib.Path(__file__).resolve().parent
SOUND, DEMO = HERE / "sound", HERE.parents[1] / "demo-logs"
RATE = 48_000


def chunk(name, body):
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def marked():
    frames = (8000 * np.sin(np.arange(RATE // 10) * 0.05)).astype("<i2")
    reference = 18 * 3600 * RATE + 1234  # samples since midnight
    bext = struct.pack("<256s32s32s10s8sQH", b"evening run", b"recorder", b"", b"2024-05-01", b"18:00:00", reference, 1)
    bext += bytes(64 + 10 + 180)
    points = [(1, 480), (2, 1200), (3, 1920)]
    cue = struct.pack("<I", len(points)) + b"".join(struct.pack("<II4sIII", n, at, b"data", 0, 0, at) for n, at in points)
    labels = [(1, b"safe"), (2, b"knock"), (3, b"coffee")]
    adtl = b"adtl" + b"".join(chunk(b"labl", struct.pack("<I", n) + text + b"\0") for n, text in labels)
    adtl += chunk(b"ltxt", struct.pack("<II4sHHHH", 2, 240, b"rgn ", 0, 0, 0, 0))
    form = struct.pack("<HHIIHH", 1, 1, RATE, RATE * 2, 2, 16)
    body = b"WAVE" + chunk(b"bext", bext) + chunk(b"fmt ", form) + chunk(b"data", frames.tobytes()) + chunk(b"cue ", cue) + chunk(b"LIST", adtl)
    (SOUND / "marked.wav").write_bytes(chunk(b"RIFF", body))


def figures(values, **more):
    there = values[~np.isnan(values)]
    return dict(samples=len(there), missing=len(values) - len(there), min=there.min(), max=there.max(), mean=there.mean(), **more)


def sound(name, source=None):
    data, rate = sf.read(source or SOUND / name, always_2d=True)
    return dict(file=f"sound/{name}", channels=[figures(data[:, c], rate_hz=rate) for c in range(data.shape[1])])


def log(path, delimiter, comma, encoding, names, scale):
    rows = list(csv.reader(io.StringIO(path.read_text(encoding=encoding)), delimiter=delimiter))
    number = lambda cell: float(cell.replace(",", ".") if comma else cell) if cell.strip() else np.nan
    first = next(k for k, row in enumerate(rows) if row[0].replace(",", "").replace(".", "").isdigit())
    table = np.array([[number(cell) for cell in row] for row in rows[first:]])
    step = np.median(np.diff(table[:, 0]))
    columns = [figures(table[:, k] * scale.get(k, 1), rate_hz=1 / step, name=rows[0][k].split(" [")[0]) for k in range(table.shape[1])]
    assert [column["name"] for column in columns][: len(names)] == names
    return dict(file=path.name, channels=columns)


def scope():
    case = json.load(open(HERE / "scope.json"))["cases"][0]
    columns = [np.array(channel) for channel in case["channels"]]
    return dict(text=case["text"], channels=[figures(column, rate_hz=float(case["rate_hz"])) for column in columns])


marked()
zipped = zipfile.ZipFile(SOUND / "deflated.zip").read("evening/take.wav")
cases = [
    *map(sound, ("riff_pcm_24.wav", "rifx_float.wav", "rf64_double.wav", "flac_pcm_24_1.flac", "aiff_pcm_16.aiff", "caf_float.caf")),
    sound("packed.wav.gz", io.BytesIO(gzip.decompress((SOUND / "packed.wav.gz").read_bytes()))),
    sound("deflated.zip", io.BytesIO(zipped)),
    scope(),
    log(DEMO / "evening-one.csv", ",", False, "utf-8", ["Time", "Engine Speed", "Throttle"], {}),
    log(DEMO / "strangers.csv", ";", True, "cp1252", ["Zeit", "Motordrehzahl", "Drosselklappe"], {3: 0.1}),
]
json.dump(dict(source=f"libsndfile {sf.__libsndfile_version__}, numpy {np.__version__}, Python's csv; see make_inspect.py", cases=cases),
          open(HERE / "inspect.json", "w"), indent=1)
