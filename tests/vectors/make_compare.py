"""Before against after: a common slope by least squares, bisquare means, Welch's interval, all by statsmodels. Data: NIST
StRD Norris (public domain, from nist_strd.json) as a calm engine, and draws of a fixed seed with knock on top; written
with the answers.  Run: python make_compare.py"""
import json, math, pathlib
import numpy as np, scipy, statsmodels
import statsmodels.api as sm
from statsmodels.robust import norms
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW
HERE = pathlib.Path(__file__).parent
MIDDLE = 3000.0

def location(levels):
    """Bisquare mean that gives up at three spreads; the spread is that of a normal law with the same mean depth below it."""
    at = np.median(levels)
    depth = (at - levels)[levels < at]
    spread = math.sqrt(math.pi / 2) * depth.mean()
    for _ in range(200):
        at = float(norms.estimate_location(levels, spread, norm=norms.TukeyBiweight(c=3.0), initial=at, maxiter=500, tol=1e-12))
        depth = np.minimum((at - levels)[levels < at], 3.0 * spread)
        spread = math.sqrt(math.pi / 2) * depth.mean()
    return at

def case(name, before, after):
    rpm = np.r_[before[:, 0], after[:, 0]]; level = np.r_[before[:, 1], after[:, 1]]
    side = np.r_[np.zeros(len(before)), np.ones(len(after))]
    fit = sm.OLS(level, np.column_stack([np.ones(len(rpm)), side, rpm])).fit()
    moved = [s[:, 1] - fit.params[2] * (s[:, 0] - MIDDLE) for s in (before, after)]
    return dict(name=name, rpm=MIDDLE, before=before.tolist(), after=after.tolist(), slope=float(fit.params[2]), floor=location(moved[1]) - location(moved[0]))

norris = json.load(open(HERE / "nist_strd.json"))
while "Norris" not in norris: norris = next(v for v in norris.values() if isinstance(v, dict) and "Norris" in v)
norris = norris["Norris"]
x, y = np.array(norris["x"]), np.array(norris["y"])
calm = np.column_stack([MIDDLE + 0.45 * (x - 450), 0.005 * y]).round(6)
fast = calm[x > 300] + [0.0, 1.5]
g = np.random.default_rng(20261125)
def run(n, from_rpm, to_rpm, shift, knocks):
    rpm = g.uniform(from_rpm, to_rpm, n); level = -30 + 0.004 * (rpm - MIDDLE) + shift + 1.2 * g.normal(size=n)
    level[g.permutation(n)[:knocks]] += 4.5
    return np.column_stack([rpm, level]).round(4)
cases = [case("NIST Norris, its faster part 1.5 dB up", calm, fast), case("draws, other speeds", run(150, 2760, 3150, 0, 0), run(110, 2850, 3240, -0.8, 0)),
         case("draws, knock after", run(200, 2760, 3240, 0, 0), run(200, 2760, 3240, 0.6, 8))]
welch = []
for n, m, confidence in ((4, 7, .95), (12, 5, .95), (30, 30, .9)):
    a, b = g.normal(0, 1, n), g.normal(1, 2.5, m)
    low, high = CompareMeans(DescrStatsW(b), DescrStatsW(a)).tconfint_diff(alpha=1 - confidence, usevar="unequal")
    side = lambda v: dict(value=float(v.mean()), error=float(v.std(ddof=1) / math.sqrt(len(v))), blocks=len(v))
    welch.append(dict(a=side(a), b=side(b), confidence=confidence, low=float(low), high=float(high)))
json.dump({"source": f"statsmodels {statsmodels.__version__}: OLS with one line a side and one slope, robust.norms.estimate_location with TukeyBiweight(c=3), CompareMeans.tconfint_diff(usevar='unequal'); data: NIST StRD Norris (public domain) scaled to speeds and dB, and seeded draws. numpy {np.__version__}, scipy {scipy.__version__} (all BSD-3-Clause); numbers of our own script, no licence attaches",
           "tolerance": "1e-3 dB; Welch 1e-9 relative to the interval", "floors": cases, "welch": welch}, open(HERE / "compare.json", "w"), indent=1)
for c in cases: print(c["name"], c["slope"], c["floor"])
