//! The incomplete beta and gamma functions, on which the other distributions stand.
//!
//! Both tails come together, each with its relative accuracy. The factor in front is written as a small
//! exponent times a square root (C. Loader, "Fast and accurate computation of binomial probabilities", 2000;
//! from memory) instead of a difference of large logarithms, so that a million degrees of freedom cost no
//! digits. What remains is a continued fraction or a series (Abramowitz and Stegun 26.5.8, 6.5.29, 6.5.31;
//! from memory), summed until nothing changes.
//!
//! Deliberately not here: parameters not above 0, which the distributions refuse beforehand.

#![allow(
    clippy::float_arithmetic,
    reason = "a distribution function has no finite decimals; only + - * / sqrt and libm are used"
)]

use core::f64::consts::PI;

/// A share and the rest of it: their sum is 1, and the smaller one is exact to its own size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Tails {
    pub(crate) lower: f64,
    pub(crate) upper: f64,
}

impl Tails {
    fn from_lower(lower: f64) -> Self {
        Self {
            lower,
            upper: 1.0 - lower,
        }
    }

    fn swapped(self) -> Self {
        Self {
            lower: self.upper,
            upper: self.lower,
        }
    }
}

/// More terms than any accepted argument needs: the fraction takes some multiple of the root of the larger
/// parameter, and parameters end at half of 1e7.
const TERMS: u32 = 50_000;

/// The regularised incomplete beta function at `x`, where `y = 1 - x` is given beside it, because the caller
/// knows it without cancellation. `a` and `b` are above 0.
pub(crate) fn beta_tails(a: f64, b: f64, x: f64, y: f64) -> Tails {
    if x <= 0.0 {
        return Tails::from_lower(0.0);
    }
    if y <= 0.0 {
        return Tails::from_lower(1.0);
    }
    // The fraction converges fast on this side of the mean only.
    if x <= (a + 1.0) / (a + b + 2.0) {
        Tails::from_lower(beta_fraction(a, b, x, y))
    } else {
        Tails::from_lower(beta_fraction(b, a, y, x)).swapped()
    }
}

/// The lower share by the continued fraction of DiDonato and Morris (ACM Transactions on Mathematical Software
/// 18, 1992; from memory), evaluated by Lentz's method. Its terms do not cancel where `x` is near 1.
fn beta_fraction(a: f64, b: f64, x: f64, y: f64) -> f64 {
    // a y - b x, from whichever of x and y is known to more digits.
    let lead = if x < y {
        a - (a + b) * x
    } else {
        (a + b) * y - b
    };
    let whole = |m: f64| {
        m + m * (b - m) * x / (a + 2.0 * m - 1.0)
            + (a + m) * (lead + 1.0 + m * (1.0 + y)) / (a + 2.0 * m + 1.0)
    };
    let mut fraction = nonzero(a * (lead + 1.0) / (a + 1.0));
    let (mut c, mut d) = (fraction, 0.0);
    for term in 1..TERMS {
        let m = f64::from(term);
        let denominator = a + 2.0 * m - 1.0;
        let numerator =
            (m * (a + m - 1.0) / denominator) * ((a + b + m - 1.0) / denominator) * (b - m) * x * x;
        d = 1.0 / nonzero(whole(m) + numerator * d);
        c = nonzero(whole(m) + numerator / c);
        fraction *= c * d;
        if (c * d - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    (beta_factor(a, b, x, y) / fraction).min(1.0)
}

/// `x^a y^b / B(a, b)`.
fn beta_factor(a: f64, b: f64, x: f64, y: f64) -> f64 {
    let n = a + b;
    let exponent = stirling_rest(n)
        - stirling_rest(a)
        - stirling_rest(b)
        - deviance(a, n * x)
        - deviance(b, n * y);
    libm::exp(exponent) * libm::sqrt(a * b / (2.0 * PI * n))
}

/// The regularised incomplete gamma function of shape `a` above 0 at `x`.
pub(crate) fn gamma_tails(a: f64, x: f64) -> Tails {
    if x <= 0.0 {
        return Tails::from_lower(0.0);
    }
    let factor = gamma_factor(a, stirling_rest(a), x);
    if x < a + 1.0 {
        Tails::from_lower((factor * gamma_series(a, x)).min(1.0))
    } else {
        Tails::from_lower((factor * a * gamma_fraction(a, x)).min(1.0)).swapped()
    }
}

/// `x^a exp(-x) / gamma(a + 1)`, given the [`stirling_rest`] of `a`.
pub(crate) fn gamma_factor(a: f64, rest: f64, x: f64) -> f64 {
    libm::exp(-rest - deviance(a, x)) / libm::sqrt(2.0 * PI * a)
}

/// `1 + x / (a+1) + x^2 / ((a+1)(a+2)) + ...`.
fn gamma_series(a: f64, x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..TERMS {
        term *= x / (a + f64::from(k));
        sum += term;
        if term < sum * f64::EPSILON * 0.25 {
            break;
        }
    }
    sum
}

/// The continued fraction of the upper share, without its factor.
fn gamma_fraction(a: f64, x: f64) -> f64 {
    let mut b = x + 1.0 - a;
    let (mut c, mut d) = (1.0 / f64::MIN_POSITIVE, 1.0 / nonzero(b));
    let mut fraction = d;
    for term in 1..TERMS {
        let k = f64::from(term);
        let numerator = -k * (k - a);
        b += 2.0;
        d = 1.0 / nonzero(numerator * d + b);
        c = nonzero(b + numerator / c);
        fraction *= c * d;
        if (c * d - 1.0).abs() < f64::EPSILON {
            break;
        }
    }
    fraction
}

/// Lentz's method divides by what may pass through nought; a number next to it does as well.
fn nonzero(of: f64) -> f64 {
    if of.abs() < f64::MIN_POSITIVE {
        f64::MIN_POSITIVE
    } else {
        of
    }
}

/// `ln gamma(n + 1) - (n + 1/2) ln n + n - ln(2 pi) / 2`: what Stirling's formula leaves over.
pub(crate) fn stirling_rest(n: f64) -> f64 {
    if n < 16.0 {
        return libm::lgamma(n + 1.0) - (n + 0.5) * libm::log(n) + n - 0.5 * libm::log(2.0 * PI);
    }
    // The terms of Stirling's series; the next one is below 1e-16 from 16 on.
    let square = n * n;
    let rest = 1.0 / 1680.0 - (1.0 / 1188.0 - 691.0 / (360_360.0 * square)) / square;
    (1.0 / 12.0 - (1.0 / 360.0 - (1.0 / 1260.0 - rest / square) / square) / square) / n
}

/// `x ln(x / m) + m - x`, without cancellation where the two are near each other.
fn deviance(x: f64, m: f64) -> f64 {
    let difference = x - m;
    if difference.abs() >= 0.1 * (x + m) {
        return x * libm::log(x / m) - difference;
    }
    let v = difference / (x + m);
    let mut sum = difference * v;
    let mut term = 2.0 * x * v;
    for k in 1..100u32 {
        term *= v * v;
        let next = sum + term / f64::from(2 * k + 1);
        if next == sum {
            break;
        }
        sum = next;
    }
    sum
}
