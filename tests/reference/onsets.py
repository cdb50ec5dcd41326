"""Reference values for the ramps of the measure crate (`trend/onset.rs`), by NumPy and SciPy.

Run with numpy and scipy installed (versions are written into the file):

    python onsets.py > onsets.json

Nothing is integrated in closed form here and no onset is skipped: every whole moment at which the mean could have begun to
go is taken, with each slope (or step) of a fine grid, and the density of the points is that of a normal vector whose
covariance holds what is not known of the centre. Data are drawn from a fixed seed and written beside the results.
"""

import json

import numpy as np
import scipy
import scipy.linalg as la

rng = np.random.default_rng(20261130)
out = {"libraries": {"numpy": np.__version__, "scipy": scipy.__version__}}

POINTS_A_CHANGE, CENTRE = 1000.0, 0.05
SLOPES, STEPS = (0.003, 1.0), (0.3, 10.0)
POINTS_LEAST, BEFORE_CHART, BEFORE_MOST = 5, 100, 400
FINE = 6000


def sizes(kind):
    """A grid of sizes alike in weight, half of it on either side: slopes even in their logarithms, steps in their roots."""
    if kind == "ramp":
        edges = np.geomspace(*SLOPES, FINE + 1)
    else:
        edges = np.linspace(*np.sqrt(STEPS), FINE + 1) ** 2
    return np.sqrt(edges[1:] * edges[:-1]), -np.log(FINE) - np.log(2)


def weigh(x, y, before, limit):
    n = len(x)
    covariance = np.eye(n) + CENTRE**2
    root = la.cholesky(covariance, lower=True)
    white = lambda v: la.solve_triangular(root, v, lower=True)
    centred = white(y)
    nothing = -0.5 * centred @ centred
    onsets = list(x[:-1]) + [x[0] - 1]
    weights = list(np.diff(x)) + [1.0]
    for back in range(1, int(min(before + BEFORE_CHART, BEFORE_MOST)) + 1):
        onsets.append(x[0] - 1 - back)
        weights.append((x[-1] - x[0] + 1) / (x[-1] - onsets[-1]))
    logs = {"none": [nothing], "step": []}
    ramps = []
    for onset, weight in zip(onsets, weights):
        since = x > onset
        begins = np.log(weight / POINTS_A_CHANGE)
        for side in (1, -1):
            for kind, shape in (("ramp", np.where(since, x - onset, 0.0)), ("step", since * 1.0)):
                if kind == "ramp" and since.sum() < POINTS_LEAST:
                    continue
                size, prior = sizes(kind)
                left = centred[:, None] - side * np.outer(white(shape), size)
                mass = prior + begins - 0.5 * np.sum(left**2, axis=0)
                if kind == "step":
                    logs["step"] += list(mass)
                else:
                    # The level that is likeliest beside each slope.
                    level = (y.sum() - side * size * shape.sum()) / (n + CENTRE**-2)
                    ramps.append((side, onset, size, side * level, mass))
    top = max(max(logs["none"]), max(logs["step"]), max(r[4].max() for r in ramps))
    total = sum(np.exp(np.array(logs[kind]) - top).sum() for kind in logs) + sum(np.exp(r[4] - top).sum() for r in ramps)
    masses = {s: sum(np.exp(r[4] - top).sum() for r in ramps if r[0] == s) for s in (1, -1)}
    side = 1 if masses[1] >= masses[-1] else -1
    size = np.concatenate([r[2] for r in ramps if r[0] == side])
    share = np.concatenate([np.exp(r[4] - top) for r in ramps if r[0] == side]) / masses[side]
    when = np.concatenate([r[1] + (limit - r[3]) / r[2] for r in ramps if r[0] == side])

    def quantile(of, q):
        order = np.argsort(of)
        return float(np.interp(q, np.cumsum(share[order]), of[order]))

    return {
        "x": list(map(float, x)),
        "y": list(map(float, y)),
        "before": before,
        "limit": side * limit,
        "shares": [0.04, 0.5, 0.94],
        "chance": float(masses[side] / total),
        "side": side,
        "slopes": [side * quantile(size, q) for q in (0.1, 0.5, 0.9)],
        "crossing": [quantile(when, q) for q in (0.04, 0.5, 0.94)],
    }


def case(mean, before=0, limit=5.0, x=None):
    x = np.arange(1.0, len(mean) + 1) if x is None else x
    return weigh(x, np.round(mean + rng.normal(size=len(mean)), 2), before, limit)


def ramp(sound, points, by):
    return np.concatenate([np.zeros(sound), by * np.arange(1, points + 1)])


# Pieces that were left out make gaps, up to five.
gaps = np.cumsum(rng.integers(1, 6, size=90)).astype(float)
out["cases"] = [
    case(ramp(40, 60, 0.04)),
    case(ramp(0, 120, 0.015)),
    case(-ramp(100, 50, 0.06), before=300),
    case(ramp(0, 100, 0.01) + 0.7, before=700, limit=4.0),
    case(ramp(60, 90, 0.02), before=25),
    case(0.02 * np.maximum(gaps - 120, 0), x=gaps),
    case(np.concatenate([np.zeros(60), np.full(60, 1.0)])),
    case(np.concatenate([np.zeros(30), np.full(20, -2.0)])),
]
print(json.dumps(out, indent=1))
