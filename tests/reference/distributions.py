"""Table of distribution values for the tests of the measure crate.

Library: mpmath 1.4, 50 digits (version printed in the table's header). Run:

    python distributions.py > distributions.csv

Each row: kind, parameters (a, b; empty where not used), x, lower share, upper share. The tests compare the
shares at x and take x back from the smaller share. The noncentral t is integrated over the sample's standard
deviation with mpmath's adaptive quadrature, which shares nothing with the product's but the definition.
"""

import mpmath as mp

mp.mp.dps = 50


def show(value):
    return mp.nstr(value, 25, min_fixed=0, max_fixed=0)


def row(kind, a, b, x, lower, upper):
    print(",".join([kind, a, b, repr(x), show(lower), show(upper)]))


def exact(x):
    return mp.mpf(x)  # the double itself, not its decimal


print("# mpmath", mp.__version__, "50 digits")
print("kind,a,b,x,lower,upper")

for x in [-37.0, -20.0, -8.5, -6.0, -4.75, -3.0, -1.96, -1.0, -0.5, -0.1, -1e-3, -1e-9, 0.0, 0.3, 1.2816, 2.5, 4.0, 5.5]:
    row("normal", "", "", x, mp.ncdf(exact(x)), mp.ncdf(-exact(x)))

for df in [0.5, 1.0, 2.0, 3.0, 4.5, 5.0, 10.0, 19.0, 30.0, 99.0, 1000.0, 1e5, 1e6, 1e7]:
    for x in [0.01, 0.3, 1.0, 2.0, 3.5, 6.0, 8.0, 25.0]:
        t, nu = exact(x), mp.mpf(df)
        tail = mp.betainc(nu / 2, mp.mpf(1) / 2, 0, nu / (nu + t * t), regularized=True) / 2
        if tail < mp.mpf(10) ** -250:
            continue
        row("t", repr(df), "", x, 1 - tail, tail)

for df in [0.5, 1.0, 2.0, 3.0, 5.0, 9.0, 24.0, 42.0, 99.0, 500.0, 1e4, 1e6, 1e7]:
    spread = (2 * df) ** 0.5
    for z in [-6.0, -3.0, -1.5, -0.4, 0.0, 0.7, 2.0, 4.0, 8.0]:
        x = df + z * spread if df > 100 else df * float(mp.mpf(2) ** mp.mpf(z))
        x = round(x, 4)
        if x <= 0:
            continue
        a, h = mp.mpf(df) / 2, exact(x) / 2
        if df > 1e6:  # mpmath gives up: its series by hand, the upper share from the lower one's 50 digits
            term = total = mp.mpf(1)
            k = 0
            while term > total * mp.mpf(10) ** -50:
                k += 1
                term *= h / (a + k)
                total += term
            lower = total * mp.exp(a * mp.log(h) - h - mp.loggamma(a + 1))
            upper = 1 - lower
        else:
            lower = mp.gammainc(a, 0, h, regularized=True)
            upper = mp.gammainc(a, h, mp.inf, regularized=True)
        if min(lower, upper) < mp.mpf(10) ** -250:
            continue
        row("chi2", repr(df), "", x, lower, upper)

for d1, d2 in [(1.0, 1.0), (1.0, 46.0), (4.0, 20.0), (2.0, 3.0), (9.0, 18.0), (20.0, 5.0), (60.0, 300.0), (1000.0, 1500.0), (0.7, 3.3)]:
    for x in [1e-4, 0.05, 0.5, 0.9, 1.0, 1.18046237440255, 2.5, 5.0, 15.9467335677930, 60.0]:
        p, q, v = mp.mpf(d1), mp.mpf(d2), exact(x)
        lower = mp.betainc(p / 2, q / 2, 0, p * v / (p * v + q), regularized=True)
        upper = mp.betainc(q / 2, p / 2, 0, q / (p * v + q), regularized=True)
        if min(lower, upper) < mp.mpf(10) ** -250:
            continue
        row("f", repr(d1), repr(d2), x, lower, upper)

mp.mp.dps = 30


def noncentral_t(t, nu, delta, sign):
    def density(s):
        half = mp.mpf(nu) / 2
        log = half * mp.log(half) - mp.loggamma(half) + (nu - 1) * mp.log(s) - half * s * s
        return 2 * mp.exp(log)

    spread = 1 / mp.sqrt(2 * mp.mpf(nu))
    low, high = max(mp.mpf(0), 1 - 15 * spread), 1 + 15 * spread
    cuts = {low, high}
    cuts |= {1 + k * spread for k in range(-14, 15, 2)}
    if t != 0:
        middle = mp.mpf(delta) / t
        cuts |= {middle + k / abs(mp.mpf(t)) for k in range(-14, 15, 2)}
    cuts = sorted(c for c in cuts if low <= c <= high)
    return mp.quad(lambda s: mp.ncdf(sign * (t * s - delta)) * density(s) if s > 0 else mp.mpf(0), cuts)


for nu, delta, ts in [
    (1, 1.0, [-2.0, 0.5, 3.0, 50.0]),
    (5, 3.139, [0.2, 2.0, 5.0, 10.805, 40.0]),
    (9, -1.5, [-8.0, -2.0, 0.0, 2.0]),
    (42, 8.4037, [3.0, 6.0, 9.0, 12.28834, 20.0]),
    (99, 20.0, [12.0, 19.0, 21.0, 26.0]),
    (999, 60.0, [50.0, 59.0, 62.0, 68.0]),
    (20, 0.0, [-6.0, 1.0, 2.5]),
]:
    for t in ts:
        lower, upper = noncentral_t(exact(t), nu, exact(delta), 1), noncentral_t(exact(t), nu, exact(delta), -1)
        assert abs(lower + upper - 1) < mp.mpf(10) ** -20, (nu, delta, t, lower + upper - 1)
        row("nct", repr(nu), repr(delta), t, lower, upper)
