"""Reference values for the tests of the measure crate, by SciPy and statsmodels.

Run with scipy and statsmodels installed (versions are written into the file):

    python measure.py > measure.json

Data are drawn from a fixed seed and written beside the results, so that the test needs no generator.
"""

import json
import warnings

import numpy as np
import pandas as pd
import scipy
import scipy.stats as st
import statsmodels
import statsmodels.formula.api as smf
from statsmodels.stats.anova import anova_lm

warnings.simplefilter("ignore")
rng = np.random.default_rng(20261125)
out = {"libraries": {"numpy": np.__version__, "scipy": scipy.__version__, "statsmodels": statsmodels.__version__}}


def line(x, y):
    r = st.linregress(x, y)
    return {
        "x": list(map(float, x)),
        "y": list(map(float, y)),
        "slope": r.slope,
        "intercept": r.intercept,
        "slope_error": r.stderr,
        "intercept_error": r.intercept_stderr,
        "p": r.pvalue,
    }


x1 = np.arange(12.0)
x2 = np.array([1000.0, 1003.0, 1004.0, 1010.0, 1011.0, 1020.0, 1050.0])
x3 = np.arange(50.0) * 3 + 7
out["lines"] = [
    line(x1, np.round(0.4 * x1 + rng.normal(size=12), 3)),
    line(x2, np.round(200 - 0.05 * x2 + rng.normal(size=7), 3)),
    line(x3, np.round(rng.normal(size=50), 3)),
]


def crossed(parts, operators, repeats, sd_part, sd_operator, sd_both, sd_repeat):
    p = rng.normal(0, sd_part, parts)
    o = rng.normal(0, sd_operator, operators)
    both = rng.normal(0, sd_both, (parts, operators))
    cells = []
    rows = []
    for i in range(parts):
        row = []
        for j in range(operators):
            values = np.round(10 + p[i] + o[j] + both[i, j] + rng.normal(0, sd_repeat, repeats), 3)
            row.append(list(map(float, values)))
            rows += [(i, j, v) for v in values]
        cells.append(row)
    frame = pd.DataFrame(rows, columns=["part", "operator", "y"])
    table = anova_lm(smf.ols("y ~ C(part) * C(operator)", frame).fit())
    pick = lambda name: {"df": int(table.loc[name, "df"]), "ss": float(table.loc[name, "sum_sq"])}
    f_both = float(table.loc["C(part):C(operator)", "F"])
    ms = {k: float(table.loc[n, "mean_sq"]) for k, n in [("part", "C(part)"), ("operator", "C(operator)"), ("both", "C(part):C(operator)"), ("repeat", "Residual")]}
    # Components of variance from the expected mean squares (method of moments), negative ones as nought.
    components = {
        "repeat": ms["repeat"],
        "both": max(0.0, (ms["both"] - ms["repeat"]) / repeats),
        "operator": max(0.0, (ms["operator"] - ms["both"]) / (parts * repeats)),
        "part": max(0.0, (ms["part"] - ms["both"]) / (operators * repeats)),
    }
    return {
        "cells": cells,
        "part": pick("C(part)"),
        "operator": pick("C(operator)"),
        "both": pick("C(part):C(operator)"),
        "repeat": pick("Residual"),
        "p_both": float(table.loc["C(part):C(operator)", "PR(>F)"]),
        "f_both": f_both,
        "components": components,
    }


out["crossed"] = [
    crossed(10, 3, 2, 1.0, 0.3, 0.1, 0.2),
    crossed(6, 2, 3, 0.5, 0.0, 0.0, 0.3),
    crossed(4, 4, 5, 2.0, 0.5, 0.6, 0.1),
]


def one_way(groups):
    f, p = st.f_oneway(*groups)
    return {"groups": [list(map(float, g)) for g in groups], "f": float(f), "p": float(p)}


out["one_way"] = [
    one_way([np.round(rng.normal(m, 1, n), 2) for m, n in [(0, 5), (0.5, 8), (1.5, 4)]]),
    one_way([np.round(rng.normal(0, 1, 6), 2) for _ in range(5)]),
]


def same_step(mean, sigma, step, readings):
    reach = int(np.ceil(12 * sigma / step)) + 2
    middle = int(np.round(mean / step))
    k = np.arange(middle - reach, middle + reach + 1)
    shares = st.norm.cdf((k + 0.5) * step, mean, sigma) - st.norm.cdf((k - 0.5) * step, mean, sigma)
    return [mean, sigma, step, readings, float(np.sum(shares**readings))]


out["same_step"] = {
    "columns": ["mean", "sigma", "step", "readings", "chance"],
    "rows": [same_step(*case) for case in [(0, 1, 1, 2), (0, 1, 1, 10), (0.5, 1, 1, 10), (3.2, 0.4, 1, 6), (741.03, 0.8, 0.1, 4), (0, 1, 0.01, 3), (0.05, 0.02, 0.1, 30)]],
}

print(json.dumps(out, indent=1))
