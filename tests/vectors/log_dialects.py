#!/usr/bin/env python3
"""Small logs in many dialects, and what Python's csv module reads from them; writes log_dialects.json.

One table of numbers is written in dialects that together hold every pair of values of the features below that can stand
together (`possible` tells which can't, and why). The names are plain trade words, made for this table. The expected values
come from a second reading of the written bytes by Python's csv, datetime and float, told the dialect; the reader under test
is told nothing."""
import base64, csv, datetime, io, itertools, json, math, pathlib, random

FEATURES = {
    "delimiter": [",", ";", "\t", "|", "blanks"],
    "decimal": [".", ","],
    "thousands": ["none", "mark", "blank", "apostrophe"],
    "quotes": ["minimal", "all"],
    "preamble": ["none", "lines", "delimited"],
    "head": ["brackets", "parens", "comma", "units row", "no units", "no head"],
    "encoding": ["utf-8", "utf-8-sig", "utf-16-le-mark", "utf-16-be-mark", "utf-16-le", "cp1252"],
    "end": ["\n", "\r\n", "\r"],
    "time": ["s", "ms", "us", "hms", "m:s", "iso", "isoz", "dmy", "ampm"],
    "gaps": ["none", "empty", "words"],
    "repeats": ["none", "started anew", "same time", "half line"],
    "language": ["en", "de", "fr", "es"],
    "extra": ["none", "flag", "hex", "trailing delimiter", "short row", "long row"],
}
NAMES = {
    "en": ["Time", "Engine speed", "Load", "Throttle", "Knock level cyl 1", "Knock level cyl 2", "Coolant", "Knock detected", "Status word"],
    "de": ["Zeit", "Drehzahl", "Saugrohrdruck", "Drosselklappe", "Klopfsensor 1", "Klopfsensor 2", "Kühlmittel", "Klopfen erkannt", "Statuswort"],
    "fr": ["Temps", "Régime moteur", "Pression admission", "Papillon", "Cliquetis 1", "Cliquetis 2", "Eau", "Cliquetis détecté", "Mot d'état"],
    "es": ["Tiempo", "Régimen", "Carga", "Mariposa", "Picado sensor 1", "Picado sensor 2", "Refrigerante", "Picado detectado", "Palabra de estado"],
}
UNITS = {"en": ["", "rpm", "kPa", "%", "V", "V", "°C"], "de": ["", "1/min", "kPa", "%", "V", "V", "°C"],
         "fr": ["", "tr/min", "kPa", "%", "V", "V", "°C"], "es": ["", "rpm", "%", "%", "V", "V", "°C"]}
WORDS = {"en": ("off", "on"), "de": ("aus", "ein"), "fr": ("non", "oui"), "es": ("no", "sí")}
ROLES = ["time", "speed", "load", "throttle", "level", "level", "coolant"]
STEPS = {"s": 1, "ms": 1000, "us": 1000000}
NOTHING = ["NaN", "-", "n/a"]
COUNT = 16


def possible(c):
    """None, or why the features can't stand together; partial choices are judged by what they hold."""
    get = c.get
    if get("delimiter") == "blanks":
        if get("quotes") == "all": return "blanks part the words inside quotes too"
        if get("thousands") == "blank": return "a blank can't be both"
        if get("time") in ("dmy", "ampm"): return "the time itself holds a blank"
        if get("gaps") == "empty" or get("extra") in ("trailing delimiter", "short row"): return "blanks show no empty cell"
        if get("head") in ("units row", "comma"): return "a unit left empty shifts the others"
    return None


def numbers():
    rows = []
    for k in range(COUNT):
        rows.append([k * 0.05, 1500 + 137.25 * k - 412.5 * (k % 4 == 3), 40 + 1.5 * k, 12.5 + k, 0.125 + 0.01 * k, 0.25 + 0.02 * (k % 5), 88.5])
    return rows


def clock(kind, t):
    now = datetime.datetime(2024, 2, 28, 23, 59, 59, 500000) + datetime.timedelta(seconds=t)
    return {
        "hms": lambda: now.strftime("%H:%M:%S.%f")[:-3],
        "m:s": lambda: f"{int(t // 60):02d}:{t % 60:06.3f}",
        "iso": lambda: now.isoformat(timespec="milliseconds"),
        "isoz": lambda: now.isoformat(timespec="milliseconds") + "Z",
        "dmy": lambda: now.strftime("%d.%m.%Y %H:%M:%S.%f")[:-3],
        "ampm": lambda: (now - datetime.timedelta(hours=3)).strftime("%I:%M:%S.%f")[:-3] + " PM",
    }[kind]()


def seconds(cell):
    kinds = ["%H:%M:%S.%f", "%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%fZ", "%d.%m.%Y %H:%M:%S.%f", "%I:%M:%S.%f %p"]
    for kind in kinds:
        try:
            return (datetime.datetime.strptime(cell, kind) - datetime.datetime(1900, 1, 1)).total_seconds()
        except ValueError:
            pass
    raise ValueError(cell)


def group(c):
    marks = {"none": "", "mark": "," if c["decimal"] == "." else ".", "apostrophe": "'"}
    # Windows-1252 has no narrow blank
    return marks.get(c["thousands"], "\u00a0" if c["encoding"] == "cp1252" else "\u202f")


def number(v, c, digits=3):
    return f"{v:,.{digits}f}".replace(",", "\0").replace(".", c["decimal"]).replace("\0", group(c))


def heads(c):
    names, units = list(NAMES[c["language"]]), list(UNITS[c["language"]])
    units[0] = c["time"] if c["time"] in STEPS else ""
    columns = 7
    if c["extra"] in ("flag", "hex"):
        names[7] = names[7 if c["extra"] == "flag" else 8]
        units.append("")
        columns = 8
    return names[:columns], units


def write(c):
    names, units = heads(c)
    blanks = c["delimiter"] == "blanks"
    join = {"brackets": lambda n, u: f"{n} [{u}]" if u else n, "parens": lambda n, u: f"{n} ({u})" if u else n,
            "comma": lambda n, u: f"{n},{u}" if u else n}.get(c["head"], lambda n, u: n)
    out = io.StringIO()
    quoting = csv.QUOTE_ALL if c["quotes"] == "all" else csv.QUOTE_MINIMAL
    writer = csv.writer(out, delimiter="\t" if blanks else c["delimiter"], quoting=quoting, lineterminator="\n")
    between = " " if blanks else c["delimiter"]
    preamble = {"none": [], "lines": ["Logger 4711", "Driver: A. Person", "Date: 2024-02-28"],
                "delimited": [f"Log file{between}version 2", f"Car{between}hill climb{between}four", f"Rate{between}20{between}Hz"]}[c["preamble"]]
    out.write("".join(line + "\n" for line in preamble))

    def head():
        if c["head"] != "no head":
            cells = [join(n, u) for n, u in zip(names, units)]
            writer.writerow([cell.replace(" ", "_") for cell in cells] if blanks else cells)
        if c["head"] == "units row":
            writer.writerow(units)
    head()
    for k, row in enumerate(numbers()):
        t = row[0]
        if c["repeats"] == "same time" and k in (5, 9):
            t = numbers()[k - 1][0]
        if c["repeats"] == "started anew" and k >= COUNT // 2:
            t -= numbers()[COUNT // 2][0]
            if k == COUNT // 2:
                head()
        step = STEPS.get(c["time"])
        first = number(t * step, dict(c, thousands="none"), 0 if step > 1 else 3) if step else clock(c["time"], t)
        cells = [first] + [number(v, c) for v in row[1:]]
        if c["gaps"] != "none":
            for j in [6] if k % 4 else [4 + k % 2]:  # the coolant comes every fourth row only
                cells[j] = "" if c["gaps"] == "empty" else NOTHING[(k + j) % 3]
        if c["extra"] == "flag":
            cells.append(WORDS[c["language"]][k % 5 == 2])
        if c["extra"] == "hex":
            cells.append(f"0x{k * 37 + 10:04X}")
        if c["extra"] == "trailing delimiter":
            cells.append("")
        if c["extra"] == "short row" and k == 6:
            cells.pop()
        if c["extra"] == "long row" and k == 6:
            cells.append("7")
        writer.writerow(cells)
    text = out.getvalue()
    if blanks:
        text = "\n".join("  ".join(line.split("\t")) for line in text.split("\n"))
    if c["repeats"] == "half line":
        last = text.rstrip("\n").rsplit("\n", 1)[1]
        text = text.rstrip("\n")[: -(len(last) * 2 // 3)]
    text = text.replace("\n", c["end"])
    mark = {"utf-16-le-mark": b"\xff\xfe", "utf-16-be-mark": b"\xfe\xff"}.get(c["encoding"], b"")
    return mark + text.encode(c["encoding"].removesuffix("-mark"))


def plain(cell, c):
    if cell in NOTHING or cell.strip() == "":
        return math.nan
    if cell.startswith("0x"):
        return float(int(cell, 16))
    if cell in WORDS[c["language"]]:
        return float(WORDS[c["language"]].index(cell))
    return float((cell.replace(group(c), "") if group(c) else cell).replace(c["decimal"], "."))


def read(raw, c):
    """The second reading: Python's csv, told the dialect."""
    text = raw.decode({"utf-16-le-mark": "utf-16", "utf-16-be-mark": "utf-16"}.get(c["encoding"], c["encoding"]))
    lines = text.lstrip("\ufeff").replace(c["end"], "\n").split("\n")[{"none": 0}.get(c["preamble"], 3):]
    if c["delimiter"] == "blanks":
        rows = [line.split() for line in lines if line.split()]
    else:
        rows = [row for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=c["delimiter"]) if row]
    titles = {"no head": 0, "units row": 2}.get(c["head"], 1)
    half = COUNT // 2
    if c["repeats"] == "started anew":
        rows = rows[titles:titles + half] + rows[titles + half + titles:]
    else:
        rows = rows[titles:]
    if c["repeats"] == "half line":
        rows.pop()
    names, _ = heads(c)
    columns = [[plain(row[k], c) if k < len(row) else math.nan for row in rows] for k in range(1, len(names))]
    if c["time"] in STEPS:
        t = [plain(row[0], c) / STEPS[c["time"]] for row in rows]
    else:
        t = [seconds(row[0]) for row in rows]
        if c["time"] in ("hms", "ampm"):
            t = [v + 86400 if v < 43200 < t[0] else v for v in t]
    blocks = [0, half] if c["repeats"] == "started anew" else [0]
    for k, start in enumerate(blocks):
        end = (blocks + [len(t)])[k + 1]
        t[start:end] = [v - t[start] for v in t[start:end]]
    return t, blocks, columns


def complete(chosen, rng):
    """A dialect that holds what is chosen, the rest at random; None if none was found."""
    for _ in range(60):
        c = {name: chosen.get(name, rng.choice(values)) for name, values in FEATURES.items()}
        if possible(c) is None:
            return c
    return None


def covering():
    rng = random.Random(1964)
    pairs, excluded = set(), []
    for a, b in itertools.combinations(FEATURES, 2):
        for x, y in itertools.product(FEATURES[a], FEATURES[b]):
            why = possible({a: x, b: y})
            if why: excluded.append([a, x, b, y, why])
            else: pairs.add((a, x, b, y))
    held = lambda c: {(a, c[a], b, c[b]) for a, b in itertools.combinations(FEATURES, 2)}
    cases = []
    while pairs:
        a, x, b, y = min(pairs)
        tries = [c for c in (complete({a: x, b: y}, rng) for _ in range(80)) if c]
        best = max(tries, key=lambda c: len(held(c) & pairs))
        pairs -= held(best)
        cases.append(best)
    return cases, excluded


cases, excluded = covering()
out = []
for c in cases:
    raw = write(c)
    t_s, blocks, columns = read(raw, c)
    names, units = heads(c)
    named = c["head"] != "no head"
    blanks = c["delimiter"] == "blanks"
    extra = {"flag": ["knock-flag"], "hex": ["other"]}.get(c["extra"], [])
    null = lambda v: None if math.isnan(v) else v
    out.append(dict(features=c, base64=base64.b64encode(raw).decode(), t_s=t_s, blocks=blocks,
                    columns=[[null(v) for v in column] for column in columns],
                    roles=ROLES + extra if named else ["time", "speed"],
                    names=[n.replace(" ", "_") if blanks else n for n in names] if named else None,
                    units=units[1:] if named and c["head"] != "no units" else None))
path = pathlib.Path(__file__).resolve().parent / "log_dialects.json"
json.dump(dict(source="Python csv, datetime and float, told each dialect (log_dialects.py)",
               tolerance="values exact; times 1e-6 s", values=FEATURES, excluded=excluded, cases=out),
          open(path, "w"), indent=None, separators=(",", ":"))
print(len(out), len(excluded), path.stat().st_size)
