#!/usr/bin/env python3
"""Small logs in many dialects, and what Python's csv module reads from them; writes log_dialects.json.

One table of numbers is written in every dialect of a matrix of delimiter, decimal mark, quotes, units, encoding, line
ends and ways of writing time. The expected values come from a second reading of the written bytes by Python's csv,
datetime and float, told the dialect; the reader under test is told nothing."""
import base64, csv, datetime, io, json, math, pathlib

HEADS = {
    "en": (["Time", "Engine speed", "Load", "Throttle", "Knock level cyl 1", "Knock level cyl 2", "Coolant"],
           ["s", "rpm", "kPa", "%", "V", "V", "°C"]),
    "de": (["Zeit", "Drehzahl", "Saugrohrdruck", "Drosselklappe", "Klopfsensor 1", "Klopfsensor 2", "Kühlmittel"],
           ["s", "1/min", "kPa", "%", "V", "V", "°C"]),
    "fr": (["Temps", "Régime moteur", "Pression admission", "Papillon", "Cliquetis 1", "Cliquetis 2", "Eau"],
           ["s", "tr/min", "kPa", "%", "V", "V", "°C"]),
    "es": (["Tiempo", "Régimen", "Carga", "Mariposa", "Picado sensor 1", "Picado sensor 2", "Refrigerante"],
           ["s", "rpm", "%", "%", "V", "V", "°C"]),
}
ROLES = ["time", "speed", "load", "throttle", "level", "level", "coolant"]
ROWS = [[k * 0.05, 1500 + 137.25 * k, 40 + 1.5 * k, 12.5 + k, 0.125 + 0.01 * k, 0.25 + 0.02 * (k % 5), 88.5] for k in range(24)]


def clock(kind, t):
    start = datetime.datetime(2024, 2, 28, 23, 59, 59, 500000)
    now = start + datetime.timedelta(seconds=t)
    return {
        "hms": lambda: now.strftime("%H:%M:%S.%f")[:-3],
        "hms,": lambda: now.strftime("%H:%M:%S.%f")[:-3].replace(".", ","),
        "ms:": lambda: f"{int(t // 60):02d}:{t % 60:06.3f}",
        "iso": lambda: now.isoformat(timespec="milliseconds"),
        "isoz": lambda: now.isoformat(timespec="milliseconds") + "Z",
        "dmy": lambda: now.strftime("%d.%m.%Y %H:%M:%S,%f")[:-3],
        "ampm": lambda: (now - datetime.timedelta(hours=3)).strftime("%I:%M:%S.%f")[:-3] + " PM",
    }[kind]()


def number(v, decimal, thousands, digits):
    text = f"{v:,.{digits}f}" if thousands else f"{v:.{digits}f}"
    return text.replace(",", "\0").replace(".", decimal).replace("\0", thousands or "")


def write(delimiter=",", decimal=".", thousands="", quote=csv.QUOTE_MINIMAL, language="en", units="brackets",
          encoding="utf-8", end="\n", time="s", preamble=(), head=True, digits=3, rows=ROWS, blanks=False, trail=False):
    names, unit = HEADS[language]
    unit = list(unit)
    scale = {"s": 1, "ms": 1000, "us": 1e6}.get(time)
    unit[0] = time if scale else ""
    join = {"brackets": lambda n, u: f"{n} [{u}]" if u else n, "parens": lambda n, u: f"{n} ({u})" if u else n,
            "comma": lambda n, u: f"{n},{u}" if u else n, "row": lambda n, u: n, "none": lambda n, u: n}[units]
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, quoting=quote, lineterminator=end)
    for line in preamble:
        out.write(line + end)
    if head:
        writer.writerow([join(n, u).replace(" ", "_") if blanks else join(n, u) for n, u in zip(names, unit)])
        if units == "row":
            writer.writerow(unit)
    for row in rows:
        first = number(row[0] * scale, decimal, "", 0 if scale > 1 else digits) if scale else clock(time, row[0])
        writer.writerow([first] + [number(v, decimal, thousands, digits) for v in row[1:]] + ([""] if trail else []))
    text = out.getvalue()
    if blanks:
        text = end.join("  ".join(line.split("\t")) for line in text.split(end))
    return text.encode(encoding), dict(delimiter=delimiter, decimal=decimal, thousands=thousands, time=time, head=head,
                                      units=units, skip=len(preamble), blanks=blanks, end=end, encoding=encoding)


def read(raw, told):
    """The second reading: Python's csv, told the dialect."""
    text = raw.decode(told["encoding"]).lstrip("\ufeff").replace(told["end"], "\n")
    lines = text.split("\n")[told["skip"]:]
    if told["blanks"]:
        rows = [line.split() for line in lines if line.split()]
    else:
        rows = [row for row in csv.reader(io.StringIO("\n".join(lines)), delimiter=told["delimiter"]) if row]
    rows = rows[(told["head"] + (told["units"] == "row")):]
    plain = lambda c: float(c.replace(told["thousands"], "").replace(told["decimal"], ".") if told["thousands"] else c.replace(told["decimal"], "."))
    columns = [[plain(row[k]) for row in rows] for k in range(1, 7)]
    scale = {"s": 1, "ms": 1e-3, "us": 1e-6}.get(told["time"])
    if scale:
        t = [plain(row[0]) * scale for row in rows]
    else:
        def seconds(cell):
            kinds = ["%H:%M:%S.%f", "%H:%M:%S,%f", "%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%f", "%Y-%m-%dT%H:%M:%S.%fZ", "%d.%m.%Y %H:%M:%S,%f", "%I:%M:%S.%f %p"]
            for kind in kinds:
                try:
                    return (datetime.datetime.strptime(cell, kind) - datetime.datetime(1900, 1, 1)).total_seconds()
                except ValueError:
                    pass
            raise ValueError(cell)
        t = [seconds(row[0]) for row in rows]
        t = [v + 86400 if v < t[0] else v for v in t]
    return [v - t[0] for v in t], columns


TAB = "\t"
CASES = {
    "comma, point": {},
    "comma, point, crlf": dict(end="\r\n"),
    "comma, point, cr only": dict(end="\r"),
    "comma, all quoted": dict(quote=csv.QUOTE_ALL),
    "comma, quoted decimal comma": dict(decimal=","),
    "comma, unit after a comma in the head": dict(units="comma"),
    "comma, units in a row": dict(units="row"),
    "comma, units in parentheses": dict(units="parens"),
    "comma, no units, time in seconds": dict(units="none"),
    "comma, preamble": dict(preamble=["Logger 4711", "Driver: A. Person", "Date: 2024-02-28"]),
    "comma, preamble with commas": dict(preamble=["Log file,version 2", "Car,hill climb,four", "Rate,20,Hz"]),
    "comma, trailing delimiter": dict(trail=True),
    "comma, utf-8 with mark": dict(encoding="utf-8-sig"),
    "comma, utf-16 little": dict(encoding="utf-16"),
    "comma, milliseconds": dict(time="ms"),
    "comma, microseconds": dict(time="us"),
    "comma, clock": dict(time="hms"),
    "comma, minutes and seconds": dict(time="ms:"),
    "comma, iso 8601": dict(time="iso"),
    "comma, iso 8601 utc": dict(time="isoz"),
    "comma, twelve hours": dict(time="ampm"),
    "comma, quoted thousands": dict(thousands=","),
    "comma, no head": dict(head=False, units="none"),
    "semicolon, decimal comma": dict(delimiter=";", decimal=",", language="de"),
    "semicolon, decimal comma, one decimal": dict(delimiter=";", decimal=",", language="de", digits=1, time="ms"),
    "semicolon, decimal comma, windows-1252": dict(delimiter=";", decimal=",", language="de", encoding="cp1252", end="\r\n"),
    "semicolon, decimal comma, points for thousands": dict(delimiter=";", decimal=",", thousands=".", language="de"),
    "semicolon, decimal comma, blanks for thousands": dict(delimiter=";", decimal=",", thousands="\u202f", language="fr"),
    "semicolon, decimal comma, units in a row, preamble": dict(delimiter=";", decimal=",", units="row", language="de", preamble=["Messung 12", "Fahrer;A. Person"]),
    "semicolon, day first dates": dict(delimiter=";", decimal=",", time="dmy", language="de"),
    "semicolon, clock with a comma": dict(delimiter=";", decimal=",", time="hms,", language="de"),
    "semicolon, point": dict(delimiter=";", language="es"),
    "semicolon, french, windows-1252": dict(delimiter=";", decimal=",", language="fr", encoding="cp1252"),
    "tab, point": dict(delimiter=TAB),
    "tab, decimal comma": dict(delimiter=TAB, decimal=",", language="de"),
    "tab, decimal comma, utf-16 big with mark": dict(delimiter=TAB, decimal=",", language="de", encoding="utf-16-be-mark"),
    "tab, units in a row": dict(delimiter=TAB, units="row"),
    "tab, thousands": dict(delimiter=TAB, thousands=",", digits=2),
    "bar, point": dict(delimiter="|"),
    "bar, apostrophes for thousands": dict(delimiter="|", thousands="'", language="de"),
    "blanks, point": dict(delimiter=TAB, blanks=True),
    "blanks, decimal comma": dict(delimiter=TAB, blanks=True, decimal=",", language="de"),
    "blanks, no head": dict(delimiter=TAB, blanks=True, head=False, units="none"),
}

cases = []
for name, options in CASES.items():
    options = dict(options)
    big = options.get("encoding") == "utf-16-be-mark"
    if big:
        options["encoding"] = "utf-16-be"
    raw, told = write(**options)
    t_s, columns = read(raw, told)
    raw = b"\xfe\xff" + raw if big else raw
    language = options.get("language", "en")
    named = told["head"]
    cases.append(dict(name=name, base64=base64.b64encode(raw).decode(), t_s=t_s, columns=columns,
                      roles=ROLES if named else None,
                      names=[n.replace(" ", "_") if told["blanks"] else n for n in HEADS[language][0]] if named else None,
                      units=HEADS[language][1][1:] if named and told["units"] != "none" else None))
path = pathlib.Path(__file__).resolve().parent / "log_dialects.json"
json.dump(dict(source="Python csv, datetime and float, told each dialect (log_dialects.py)",
               tolerance="values exact; times 1e-6 s", cases=cases), open(path, "w"), indent=None, separators=(",", ":"))
print(len(cases), path.stat().st_size)
