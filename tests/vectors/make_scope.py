#!/usr/bin/env python3
"""Oscilloscope text as instruments export it, and what Python's float reads from it; writes scope.json.

A decaying ring of 6.5 kHz at 250 kHz in volts beside a second channel, in layouts that oscilloscopes share: preamble, names,
a row of units, scientific notation, few digits in the time column. `fault` tells the line where sampling stops being
uniform. The layouts are made for this table; none is the export of an existing instrument."""
import json, math, pathlib

RATE, COUNT = 250_000, 400
volts = [0.3 * math.exp(-k / 90) * math.sin(2 * math.pi * 6500 * k / RATE) for k in range(COUNT)]
second = [2.4 if k % 40 < 20 else 0.1 for k in range(COUNT)]


def case(name, lines, cells, end="\n", rate=RATE, fault=None, delimiter=",", decimal=".", columns=2):
    rows = [delimiter.join(c) for c in cells]
    plain = lambda c: float(c.replace(decimal, "."))
    text = end.join(lines + rows) + end
    return dict(name=name, text=text, rate_hz=rate, fault=fault,
                channels=[[plain(c[k]) for c in cells] for k in range(1, columns + 1)])


time = [(k - 100) / RATE for k in range(COUNT)]
sci = [[f"{t:.6E}", f"{v:.5E}", f"{w:.5E}"] for t, v, w in zip(time, volts, second)]
cases = [
    case("preamble, units row, scientific", ["Model,Two channel scope", "Record length,400", "Trigger,CH1", "", "Time,CH1,CH2", "s,V,V"], sci),
    case("units in brackets", ["Time [s],Channel A [V],Channel B [V]"], [[f"{t:.7f}", f"{v:.6f}", f"{w:.3f}"] for t, v, w in zip(time, volts, second)], end="\r\n"),
    case("microseconds, semicolons, decimal comma", ["Zeit;Kanal A;Kanal B", "(us);(mV);(mV)", ""],
         [[f"{t * 1e6:.3f}".replace(".", ","), f"{v * 1e3:.4f}".replace(".", ","), f"{w * 1e3:.2f}".replace(".", ",")] for t, v, w in zip(time, volts, second)], delimiter=";", decimal=","),
    case("no names", [], sci),
    case("tabs, one signal, time rounded", ["Second\tVolt"], [[f"{t:.5f}", f"{v:.5f}"] for t, v in zip(time, volts)], delimiter="\t", columns=1),
    case("time beside each signal", ["in s,C1 in V,in s,C2 in V"], [[c[0], c[1], c[0], c[2]] for c in sci], columns=3),
]
cases[-1]["channels"].pop(1)
gap = [row for k, row in enumerate(sci) if not 200 <= k < 203]
cases.append(case("three samples left out", ["Time,CH1,CH2", "s,V,V"], gap, fault=203))
thin = sci[:300] + sci[300::2]
cases.append(case("thinned towards the end", ["Time,CH1,CH2", "s,V,V"], thin, fault=304))
wander = [[f"{(k + 3e-5 * k * k) / RATE:.9E}", sci[k][1], sci[k][2]] for k in range(COUNT)]
cases.append(case("a clock that slows down", ["Time,CH1,CH2", "s,V,V"], wander, fault=0))
path = pathlib.Path(__file__).resolve().parent / "scope.json"
json.dump(dict(source="Python float on the same text (make_scope.py)", cases=cases), open(path, "w"), indent=None, separators=(",", ":"))
print(len(cases), path.stat().st_size)
