//! Where a continuous function crosses nought: bracketing, then Chandrupatla's method.
//!
//! Bisection that takes an inverse quadratic step where one is safe (T. R. Chandrupatla, Advances in
//! Engineering Software 28, 1997; from memory). It needs no derivative, cannot leave the bracket and ends
//! when the bracket is two neighbouring numbers or nearly so.
//!
//! Deliberately not here: several roots, of which it finds any one.

#![allow(
    clippy::float_arithmetic,
    reason = "a root has no finite decimals; only + - * / are used"
)]

/// The root of `f` between `low` and `high`, where `f` has different signs at the two or is nought at one.
pub(crate) fn between(f: impl Fn(f64) -> f64, low: f64, high: f64) -> f64 {
    let (mut a, mut b) = (low, high);
    let (mut at_a, mut at_b) = (f(a), f(b));
    for (end, at_end) in [(a, at_a), (b, at_b)] {
        if at_end == 0.0 {
            return end;
        }
    }
    let mut step = 0.5;
    for _ in 0..400 {
        let x = a + step * (b - a);
        let at_x = f(x);
        // The third point, of which the method takes the curvature.
        let (c, at_c);
        if (at_x > 0.0) == (at_a > 0.0) {
            (c, at_c) = (a, at_a);
        } else {
            (c, at_c) = (b, at_b);
            (b, at_b) = (a, at_a);
        }
        (a, at_a) = (x, at_x);
        let (best, at_best) = if at_a.abs() < at_b.abs() {
            (a, at_a)
        } else {
            (b, at_b)
        };
        let tolerance = f64::EPSILON * best.abs() + f64::MIN_POSITIVE;
        let share = tolerance / (b - a).abs().max(f64::MIN_POSITIVE);
        if at_best == 0.0 || share >= 0.5 {
            return best;
        }
        step = next_step([a, b, c], [at_a, at_b, at_c]).clamp(share, 1.0 - share);
    }
    a
}

/// The inverse quadratic step through three points where it is safe, else one half.
fn next_step([a, b, c]: [f64; 3], [at_a, at_b, at_c]: [f64; 3]) -> f64 {
    let x = (a - b) / (c - b);
    let y = (at_a - at_b) / (at_c - at_b);
    if y * y < x && (1.0 - y) * (1.0 - y) < 1.0 - x {
        at_a / (at_b - at_a) * at_c / (at_b - at_c)
            + (c - a) / (b - a) * at_a / (at_c - at_a) * at_b / (at_c - at_b)
    } else {
        0.5
    }
}

/// The root of a monotone `f` above 0, looked for from `near` outwards by powers of two.
pub(crate) fn positive(f: impl Fn(f64) -> f64, near: f64) -> f64 {
    let at_near = f(near);
    if at_near == 0.0 {
        return near;
    }
    let crosses = |at: f64| (at > 0.0) != (at_near > 0.0) || at == 0.0;
    let (mut low, mut high) = (near, near);
    // A thousand doublings or halvings reach every positive number.
    for _ in 0..1100 {
        if crosses(f(high * 2.0)) {
            return between(f, high, high * 2.0);
        }
        if crosses(f(low * 0.5)) {
            return between(f, low * 0.5, low);
        }
        high = (high * 2.0).min(f64::MAX / 4.0);
        low = (low * 0.5).max(f64::MIN_POSITIVE);
    }
    high
}

/// The root of a monotone `f`, looked for from `near` to both sides by growing steps.
pub(crate) fn anywhere(f: impl Fn(f64) -> f64, near: f64, first_step: f64) -> f64 {
    let at_near = f(near);
    if at_near == 0.0 {
        return near;
    }
    let crosses = |at: f64| (at > 0.0) != (at_near > 0.0) || at == 0.0;
    let (mut low, mut high, mut step) = (near, near, first_step);
    for _ in 0..1000 {
        if crosses(f(high + step)) {
            return between(f, high, high + step);
        }
        if crosses(f(low - step)) {
            return between(f, low - step, low);
        }
        (low, high) = (low - step, high + step);
        step *= 2.0;
    }
    near
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn roots_are_found_to_the_last_digits() {
        let check = |found: f64, expect: f64| {
            assert!((found / expect - 1.0).abs() < 4e-16, "{found} {expect}");
        };
        check(
            between(|x| x * x - 2.0, 0.0, 2.0),
            core::f64::consts::SQRT_2,
        );
        check(positive(|x| 1e-60 - x * x, 1.0), 1e-30);
        check(positive(|x| x - 1e130, 1.0), 1e130);
        check(anywhere(|x| x * x * x + 27e9, 5.0, 1.0), -3000.0);
        // A step has no root, but a place.
        check(between(|x| if x < 0.7 { -1.0 } else { 1.0 }, 0.0, 1.0), 0.7);
    }
}
