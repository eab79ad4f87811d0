#!/usr/bin/env python3
"""Small recordings in every format and width, written by libsndfile (python-soundfile); writes sound/ and sound.json.

Every file holds the same numbers, which the checks make again for themselves: channel c starts a linear congruential
generator x -> 1664525 x + 1013904223 (mod 2^32) at c + 1. Odd channels (counted from 0) hold x itself as a signed 32-bit
word. Even channels hold a walk: y -> y + ((x >> 27) - 16) * 2^20, turned back at +-2^30, as real signals are smooth.
A word of w bits is the top w of these 32; floats are the top 24 bits over 2^23.
FLAC also lies in sound/cut.flac, whose end is missing, and sound/unknown.flac, whose header tells no length."""
import gzip, json, pathlib, zipfile
import numpy as np, soundfile as sf

HERE = pathlib.Path(__file__).resolve().parent
OUT = HERE / "sound"
OUT.mkdir(exist_ok=True)


def words(channels, frames):
    out = np.zeros((frames, channels), dtype=np.int64)
    for c in range(channels):
        x, y = c + 1, 0
        for k in range(frames):
            x = (1664525 * x + 1013904223) % 2**32
            if c % 2:
                out[k, c] = x - 2**32 if x >= 2**31 else x
            else:
                step = ((x >> 27) - 16) * 2**20
                y = y + step if abs(y + step) < 2**30 else y - step
                out[k, c] = y
    return out.astype(np.int32)


def write(name, format, subtype, endian="FILE", channels=2, rate=48000, frames=150):
    values = words(channels, frames)
    path = OUT / name
    data = (values >> 8).astype(np.float64) / 2**23 if subtype in ("FLOAT", "DOUBLE") else values
    sf.write(path, data, rate, subtype=subtype, format=format, endian=endian)
    info = sf.info(path)
    assert (info.channels, info.samplerate, info.frames) == (channels, rate, frames), path
    bits = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": 0, "DOUBLE": 0}[subtype]
    cases.append(dict(file=name, channels=channels, rate_hz=rate, frames=frames, bits=bits))


cases = []
for subtype in ("PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"):
    low = subtype.lower()
    write(f"riff_{low}.wav", "WAV", subtype)
    write(f"rifx_{low}.wav", "WAV", subtype, endian="BIG")
    write(f"extensible_{low}.wav", "WAVEX", subtype, channels=3)
    write(f"rf64_{low}.wav", "RF64", subtype, channels=1)
for subtype in ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"):
    write(f"aiff_{subtype.lower()}.aiff", "AIFF", subtype)
for subtype in ("PCM_16", "PCM_24", "PCM_32"):
    write(f"aifc_little_{subtype.lower()}.aifc", "AIFF", subtype, endian="LITTLE")
for subtype in ("PCM_S8", "PCM_16", "PCM_24", "PCM_32", "FLOAT", "DOUBLE"):
    write(f"caf_{subtype.lower()}.caf", "CAF", subtype)
    if subtype != "PCM_S8":
        write(f"caf_little_{subtype.lower()}.caf", "CAF", subtype, endian="LITTLE", channels=1)
write("slow.wav", "WAV", "PCM_16", channels=1, rate=8000)
write("fast.wav", "WAV", "PCM_16", channels=1, rate=2_000_000)
write("wide.wav", "WAV", "PCM_16", channels=32, frames=20)
for subtype, channels, frames in (("PCM_S8", 2, 9000), ("PCM_16", 2, 12000), ("PCM_24", 1, 12000), ("PCM_16", 8, 1200)):
    write(f"flac_{subtype.lower()}_{channels}.flac", "FLAC", subtype, channels=channels, frames=frames)

whole = (OUT / "flac_pcm_16_2.flac").read_bytes()
(OUT / "cut.flac").write_bytes(whole[: len(whole) * 3 // 4])
unknown = bytearray(whole)
unknown[8 + 13] &= 0xF0  # STREAMINFO, total samples: the low four bits of byte 13 and the four bytes after it
unknown[8 + 14 : 8 + 18] = bytes(4)
(OUT / "unknown.flac").write_bytes(unknown)

# Archives of one recording, by Python's gzip and zipfile.
plain = (OUT / "riff_pcm_24.wav").read_bytes()
(OUT / "packed.wav.gz").write_bytes(gzip.compress(plain, mtime=0))
stamp = (2024, 5, 1, 18, 0, 0)
for name, how in (("stored.zip", zipfile.ZIP_STORED), ("deflated.zip", zipfile.ZIP_DEFLATED)):
    with zipfile.ZipFile(OUT / name, "w") as archive:
        archive.writestr(zipfile.ZipInfo("evening/", stamp), b"")
        archive.writestr(zipfile.ZipInfo("evening/take.wav", stamp), plain, compress_type=how)
with zipfile.ZipFile(OUT / "several.zip", "w") as archive:
    for name in ("one.wav", "two.wav"):
        archive.writestr(zipfile.ZipInfo(name, stamp), plain, compress_type=zipfile.ZIP_DEFLATED)

with zipfile.ZipFile(OUT / "spreadsheet.zip", "w") as archive:
    for name in ("[Content_Types].xml", "table.xml"):
        archive.writestr(zipfile.ZipInfo(name, stamp), b"<x/>")

json.dump(dict(source=f"libsndfile {sf.__libsndfile_version__} through soundfile {sf.__version__}; see make_sound.py", cases=cases),
          open(HERE / "sound.json", "w"), indent=1)
print(len(cases), sum(p.stat().st_size for p in OUT.iterdir()))
