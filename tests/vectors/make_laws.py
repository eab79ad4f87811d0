"""Laws and functions behind the statistics, near their ends and far out: normal, beta, binomial, chi-squared, Student's t,
generalised Pareto; Anderson-Darling with a value 43 deviations out.  Run: python make_laws.py (numpy, scipy)"""
import json, pathlib
import numpy as np, scipy
from scipy import special, stats
HERE = pathlib.Path(__file__).parent
num = lambda v: float(v)
shares = [1e-300, 1e-100, 1e-30, 1e-12, 1e-6, 1e-3, .02, .3, .5, .8, .975, .999, 1 - 1e-6, 1 - 1e-12]
ab = [(.5, .5), (1, 1), (2, 5), (30, 4), (.5, 60), (1500, 2), (400, 700), (1e5, 3e4)]
xs = [1e-8, 1e-3, .05, .3, .5, .7, .95, .999]
rng = np.random.default_rng(4)
far = np.r_[np.round(rng.normal(size=1899), 4), 1e3]  # n large enough for one value to lie 43 deviations out
def a2(x):  # D'Agostino & Stephens 1986, eq. 4.2, by scipy's logarithm of the normal law
    x = np.sort(x); n = len(x); w = (x - x.mean()) / x.std(ddof=1); i = np.arange(1, n + 1)
    return num(-n - np.sum((2 * i - 1) * (stats.norm.logcdf(w) + stats.norm.logsf(w[::-1]))) / n)
pareto = []
for shape, scale in [(-.3, 2.), (-1e-7, 1.5), (0., 1.), (1e-4, 3.), (.2, .5), (1.2, 4.)]:
    law = stats.genpareto(shape, scale=scale); x = np.round(law.rvs(60, random_state=rng), 6) + 1e-6
    if shape < 0: x = np.minimum(x, -.999 * scale / shape)
    s = np.sort(x); i = np.arange(1, 61)
    distance = -60 - np.sum((2 * i - 1) * (law.logcdf(s) + law.logsf(s[::-1]))) / 60
    pareto.append({"shape": shape, "scale": scale, "excesses": [num(v) for v in x], "neg_log_likelihood": num(-law.logpdf(x).sum()),
        "anderson_darling": num(distance), "above": [[num(v), num(law.sf(v))] for v in (0., .1, 1., 3., 6., 50.)],
        "quantile_above": [[p, num(law.isf(p))] for p in (1., .9, .5, 1e-2, 1e-5, 1e-9)]})
counts = [([10, 14, 8, 12, 16], [12, 12, 12, 12, 12]), ([30, 5, 25], [20, 20, 20]), ([100, 103], [101.5, 101.5])]
json.dump({"source": f"scipy {scipy.__version__}, numpy {np.__version__} (BSD-3-Clause); numbers of our own script",
    "normal": [{"z": z, "above": num(stats.norm.sf(z)), "below": num(stats.norm.cdf(z)), "density": num(stats.norm.pdf(z))} for z in (-36., -9., -2.5, -1., 0., .3, 1.7, 6., 25., 36.)],
    "normal_quantile": [[p, num(special.ndtri(p))] for p in shares],
    "beta_share": [[a, b, x, num(special.betainc(a, b, x))] for a, b in ab for x in xs + [num(a / (a + b))]],
    "beta_quantile": [[a, b, p, num(special.betaincinv(a, b, p))] for a, b in ab for p in (1e-9, .01, .3, .5, .95, .9999)],
    "binomial_at_least": [[k, n, p, num(stats.binom.sf(k - 1, n, p))] for n, p in ((10, .3), (3000, 1e-3)) for k in (0, 1, 2, 5, 10, n, n + 1)],
    "chi_squared_above": [[x, k, num(stats.chi2.sf(x, k))] for k in (1, 2, 7, 40) for x in (1e-6, .5, 1., 8., 60., 400.)],
    "t_quantile": [[f, c, num(stats.t.ppf(.5 + .5 * c, f))] for f in (1., 2.5, 12., 300.) for c in (.5, .9, .95, .999)],
    "same_shares": [{"seen": s, "expected": e, "p": num(stats.chisquare(s, e).pvalue)} for s, e in counts],
    "anderson_darling_far": {"x": [num(v) for v in far], "a2": a2(far)}, "pareto": pareto}, open(HERE / "laws.json", "w"), indent=None)
