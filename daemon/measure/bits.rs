//! The same bits in every build: fingerprints of what the estimators find in fixed random numbers.
//!
//! They are not results to check anything against but a tripwire. A build whose arithmetic differs, by platform, by
//! optimisation or by a library that rounds otherwise, fails here; so does a change of a formula, and then the
//! fingerprint is written anew with the reason in the commit.

#![allow(clippy::float_arithmetic, reason = "random numbers are scaled")]

use crate::reference::{Random, fingerprint};
use crate::*;
use alloc::vec::Vec;

fn p(share: f64) -> Probability {
    Probability::new(share).expect("inside")
}

fn values(count: usize) -> Vec<f64> {
    let mut random = Random::new(41);
    (0..count).map(|_| random.normal()).collect()
}

fn points() -> Vec<(f64, f64)> {
    let drift = |(x, y): (u32, f64)| (f64::from(x), 0.05 * f64::from(x) + y);
    (0..).zip(values(60)).map(drift).collect()
}

fn check(found: impl IntoIterator<Item = f64>, expect: u64) {
    let found = fingerprint(found);
    assert_eq!(found, expect, "{found:#x}");
}

#[test]
fn subgroups() {
    let values = values(100);
    let groups: Vec<&[f64]> = values.chunks(5).collect();
    for (made, expect) in [
        (mean_and_range(&groups), 0xe88e_ccb6_06e8_9268),
        (mean_and_deviation(&groups), 0xd227_45ee_229f_2ef0),
    ] {
        let made = made.expect("subgroups");
        let (means, spreads) = (made.means, made.spreads);
        check(
            [
                means.lower,
                means.upper,
                spreads.lower,
                spreads.upper,
                made.sigma,
            ],
            expect,
        );
    }
}

#[test]
fn trends() {
    let line = fit_line(&points()).expect("points");
    let ahead = crossing(&line, 5.0, p(0.95)).expect("ahead");
    let robust = theil_sen(&points(), p(0.95)).expect("points");
    let test = mann_kendall(&values(30)).expect("values");
    let step = change_point(&values(200)).expect("points");
    check(
        [ahead.at, ahead.earliest, ahead.latest],
        0xb5e7_18f5_c771_73ac,
    );
    check(
        [robust.slope, robust.intercept, robust.interval.0],
        0x9a67_53ae_72bb_50bb,
    );
    check(
        [
            test.z,
            test.tau,
            test.p_rise(),
            test.exact_p_rise().expect("no ties"),
        ],
        0x4438_587e_c62f_ad08,
    );
    check(
        [step.shift, step.log_likelihood_ratio],
        0xc117_19ed_51b3_74fb,
    );
    check(
        [runs_test(&values(50)).expect("values").z],
        0x0458_4d0a_df70_f6f6,
    );
}

#[test]
fn samples() {
    let kinds = [PercentileType::R6, PercentileType::R7, PercentileType::R8];
    let values = values(40);
    check(
        kinds.map(|kind| percentile(&values, p(0.9), kind).expect("values")),
        0xf507_0427_93a7_92a8,
    );
    let found = grubbs(&values, OutlierSide::Both, p(0.05)).expect("values");
    check([found.statistic, found.critical], 0xebbe_f035_c4bf_ef97);
}

#[test]
fn processes_and_gauges() {
    let factors = [
        one_sided_factor(17, p(0.95), p(0.9)),
        one_sided_factor_approximate(17, p(0.95), p(0.9)),
        two_sided_factor(17, p(0.95), p(0.9)),
        two_sided_factor_approximate(17, p(0.95), p(0.9)),
    ];
    check(
        factors.map(|factor| factor.expect("a factor")),
        0xa37b_c32b_8935_88ed,
    );
    let bounds = [
        spread_lower_bound(1.3, 40, p(0.95)),
        centred_lower_bound(1.3, 40, p(0.95)),
        one_sided_lower_bound(1.3, 40, p(0.95)),
    ];
    check(
        bounds.map(|bound| bound.expect("a bound")),
        0x2d61_d5ae_782f_2c58,
    );
    let study: Vec<Vec<Vec<f64>>> = values(60)
        .chunks(6)
        .map(|part| part.chunks(2).map(<[f64]>::to_vec).collect())
        .collect();
    let study = crossed_study(&study).expect("a study");
    check(
        [study.gauge(), study.parts(), study.repeatability()],
        0xf66c_1d92_2135_bb0e,
    );
    check(
        [same_step_chance(0.3, 1.0, 0.5, 4).expect("a gauge")],
        0xb87e_a57a_d624_210a,
    );
    let limits = ToleranceLimits::new(Some(-3.0), Some(3.0)).expect("limits");
    let accepted = acceptance_limits(&limits, 1.0, p(0.05)).expect("limits");
    check([accepted.upper().expect("both")], 0x0cfc_e418_1181_3364);
}
