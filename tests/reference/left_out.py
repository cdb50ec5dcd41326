"""Run lengths of charts that leave values out, or whose values are counted in coarse steps: the table beside this
script, left_out.csv.

Made with Python 3, numpy 2.4.6 and scipy 1.17.1: `python3 left_out.py > left_out.csv`, which takes some minutes.

Another way than the program's, which integrates polynomials on panels: the range between the limits is cut into equal
cells (Brook and Evans, Biometrika 59, 1972), the level is taken to be in the middle of its cell, and the chance to go
from one to another is that of the truncated normal distribution between the cell's ends, by scipy. The last three of
four numbers of cells are extrapolated, and must agree with the first three to 5e-4. Counted values stand on places: there the
level is taken to be spread evenly over its cell.

Points are in sigmas from the centre; those outside `from` to `to` are left out, and the run length counts the others.
"""

import numpy as np
from scipy.stats import norm


def share(lo, hi, cut, shift):
    """The chance of a point between lo and hi, of those that are taken."""
    a, b = cut
    lo, hi = np.clip(lo, a, b) - shift, np.clip(hi, a, b) - shift
    whole = norm.cdf(b - shift) - norm.cdf(a - shift)
    right = lo > 0
    return np.where(right, norm.sf(lo) - norm.sf(hi), norm.cdf(hi) - norm.cdf(lo)) / whole


def solve(stay, start):
    n = len(stay)
    return 1 + start @ np.linalg.solve(np.eye(n) - stay, np.ones(n))


def ewma(lam, limit, cut, shift, n):
    half = limit * np.sqrt(lam / (2 - lam))
    edges = np.linspace(-half, half, n + 1)
    middles = (edges[1:] + edges[:-1]) / 2

    def row(u):
        points = (edges - (1 - lam) * u) / lam
        return share(points[:-1], points[1:], cut, shift)

    return solve(np.array([row(u) for u in middles]), row(0.0))


def one_sum(k, h, cut, shift, n):
    width = 2 * h / (2 * n - 1)
    sums = width * np.arange(n)

    def row(u):
        points = np.append(sums - width / 2, h) - u + k
        points[0] = -np.inf
        return share(points[:-1], points[1:], cut, shift)

    return solve(np.array([row(u) for u in sums]), row(0.0))


def extrapolated(of, *rest):
    counts = np.array([300, 600, 1200, 2400])
    found = np.array([of(*rest, int(n)) for n in counts])

    def at(chosen):
        # A parabola in the square of the width, at none.
        squares = 1.0 / counts[chosen] ** 2
        return sum(
            found[chosen][i] * np.prod([squares[j] / (squares[j] - squares[i]) for j in range(3) if j != i])
            for i in range(3)
        )

    early, late = at([0, 1, 2]), at([1, 2, 3])
    assert abs(early / late - 1) < 5e-4, (of, rest, found, early, late)
    return late


INF = "inf"
CASES = [
    # (chart, weight or k, limit or h, from, to, shift)
    ("ewma", "0.1", "3.932", "-2", "2", "0"),
    ("ewma", "0.1", "3.932", "-2", "2", "0.5"),
    ("ewma", "0.1", "3.932", "-2", "2", "2"),
    ("ewma", "0.1", "3.932", "-2", "2", "3"),
    ("ewma", "0.1", "3.932", "-3", "3", "0"),
    ("ewma", "0.1", "3.932", "-2.5", "3.25", "0"),
    ("ewma", "0.1", "3.932", "-2.5", "3.25", "-1"),
    ("ewma", "0.1", "3.932", "-inf", "1.5", "0"),
    ("ewma", "0.1", "3.932", "-1.6", "1.6", "0.5"),
    ("ewma", "0.05", "2.6", "-2", "2", "0"),
    ("ewma", "0.3", "3.2", "-2.2", "2.2", "0"),
    ("ewma", "0.3", "3.2", "-2.2", "2.2", "1"),
    ("cusum", "0.5", "5", "-2", "2", "0"),
    ("cusum", "0.5", "5", "-2", "2", "1"),
    ("cusum", "0.5", "8.746", "-3", "3", "0"),
    ("cusum", "0.25", "8", "-inf", "1.5", "0"),
    ("cusum", "0.25", "8", "-1.5", "inf", "0.5"),
    ("cusum", "1", "2.5", "-2.7", "2.7", "0"),
]

print("chart,weight_or_k,limit_or_h,from,to,shift_sigma,mean")
for chart, a, b, lo, hi, shift in CASES:
    of = {"ewma": ewma, "cusum": one_sum}[chart]
    mean = extrapolated(of, float(a), float(b), (float(lo), float(hi)), float(shift))
    print(",".join([chart, a, b, lo, hi, shift, f"{mean:.6g}"]), flush=True)
