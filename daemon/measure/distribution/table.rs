//! The distributions against a table computed with 50 digits (mpmath; the script stands beside the table).

use super::*;
use alloc::string::String;
use proptest::prelude::*;

const TABLE: &str = include_str!("../../../tests/reference/distributions.csv");

/// How far a share may be off, relative to itself, in the middle as in the tails.
const SHARE: f64 = 1e-13;

/// How far a quantile may be off, relative to itself.
const QUANTILE: f64 = 1e-12;

struct TableRow {
    name: String,
    x: f64,
    lower: f64,
    upper: f64,
    found: (f64, f64),
    /// From a lower share, and from an upper one.
    quantile: (f64, f64),
}

fn number(text: &str) -> f64 {
    text.parse().expect("a number in the table")
}

fn row(line: &str) -> TableRow {
    let fields: alloc::vec::Vec<&str> = line.split(',').collect();
    let [kind, a, b, x, lower, upper] = fields[..] else {
        panic!("six fields: {line}")
    };
    let (x, lower, upper) = (number(x), number(lower), number(upper));
    let inside = |share: f64| Probability::new(share.clamp(1e-300, 1.0 - 1e-16)).expect("inside");
    let (low, high) = (inside(lower), inside(upper));
    let (found, quantile) = match kind {
        "normal" => (
            (normal_cdf(x), normal_upper(x)),
            (normal_quantile(low), -normal_quantile(high)),
        ),
        "t" => {
            let t = StudentT::new(number(a)).expect("degrees");
            ((t.cdf(x), t.upper(x)), (t.quantile(low), -t.quantile(high)))
        }
        "chi2" => {
            let chi = ChiSquare::new(number(a)).expect("degrees");
            (
                (chi.cdf(x), chi.upper(x)),
                (chi.quantile(low), chi.upper_quantile(high)),
            )
        }
        "f" => {
            let f = FisherF::new(number(a), number(b)).expect("degrees");
            (
                (f.cdf(x), f.upper(x)),
                (f.quantile(low), f.upper_quantile(high)),
            )
        }
        "nct" => {
            let nct = NoncentralT::new(a.parse().expect("whole"), number(b)).expect("degrees");
            let from_upper = nct.quantile(inside(1.0 - upper));
            ((nct.cdf(x), nct.upper(x)), (nct.quantile(low), from_upper))
        }
        other => panic!("no distribution {other}"),
    };
    TableRow {
        name: alloc::format!("{kind} {a} {b} at {x}"),
        x,
        lower,
        upper,
        found,
        quantile,
    }
}

fn rows() -> impl Iterator<Item = TableRow> {
    TABLE
        .lines()
        .filter(|line| !line.starts_with('#'))
        .skip(1)
        .map(row)
}

#[test]
fn both_tails_are_those_of_the_table() {
    let mut seen = 0;
    for row in rows() {
        for (found, expect) in [(row.found.0, row.lower), (row.found.1, row.upper)] {
            let off = (found - expect).abs() / expect;
            assert!(off <= SHARE, "{}: {found}, {expect}: {off:e}", row.name);
            seen += 1;
        }
    }
    assert!(seen > 600, "{seen}");
}

#[test]
fn quantiles_lead_back() {
    for row in rows() {
        let (from, found) = if row.lower < row.upper {
            (row.lower, row.quantile.0)
        } else {
            (row.upper, row.quantile.1)
        };
        // The noncentral one is asked by lower shares only, which tell nothing apart next to 1.
        let nearly_all = row.name.starts_with("nct") && row.upper < 1e-6;
        if from < 1e-290 || nearly_all {
            continue;
        }
        let off = (found - row.x).abs() / row.x.abs().max(1e-3);
        assert!(off <= QUANTILE, "{}: {found}: {off:e}", row.name);
    }
}

/// The same in every build: a build whose arithmetic differs fails here.
#[test]
fn the_bits_of_the_table() {
    let hash = crate::reference::fingerprint(rows().flat_map(|row| {
        let (lower, upper) = row.found;
        [lower, upper, row.quantile.0, row.quantile.1]
    }));
    assert_eq!(hash, GOLDEN, "{hash:#x}");
}

const GOLDEN: u64 = 0x26d1_9e8f_b54d_85b0;

#[test]
fn distributions_that_cannot_be() {
    let check = |found: Option<DistributionError>, expect: &str| {
        assert_eq!(alloc::format!("{}", found.expect("refused")), expect);
    };
    for share in [0.0, 1.0, -0.1, f64::NAN] {
        let text = alloc::format!(
            "the probability {share} is not strictly between 0 and 1: write 95 % as 0.95"
        );
        check(Probability::new(share).err(), &text);
    }
    assert!(serde_json::from_str::<Probability>("1").is_err());
    let degrees = |of: f64| {
        alloc::format!(
            "{of} degrees of freedom are outside 0 (not included) to 1e7: a sample of n has n - 1 of them"
        )
    };
    for of in [0.0, -1.0, 1.1e7, f64::NAN] {
        check(StudentT::new(of).err(), &degrees(of));
        check(ChiSquare::new(of).err(), &degrees(of));
        check(FisherF::new(1.0, of).err(), &degrees(of));
        check(FisherF::new(of, 1.0).err(), &degrees(of));
    }
    check(NoncentralT::new(0, 0.0).err(), &degrees(0.0));
    check(
        NoncentralT::new(1, f64::NAN).err(),
        "the noncentrality NaN is outside -1e4 to 1e4: count it in standard errors",
    );
}

/// Both shares are shares and make up the whole.
fn whole(lower: f64, upper: f64) -> bool {
    (0.0..=1.0).contains(&lower)
        && (0.0..=1.0).contains(&upper)
        && (lower + upper - 1.0).abs() < 1e-11
}

proptest! {
    #[test]
    fn shares_of_any_number_are_shares(
        x in prop_oneof![prop::num::f64::NORMAL, -50.0..50.0f64],
        degrees in 1e-3..1e4f64,
        other in 1e-3..1e4f64,
        p in 1e-12..1.0f64,
    ) {
        let p = Probability::new(p).expect("inside");
        prop_assert!(whole(normal_cdf(x), normal_upper(x)) && normal_density(x).is_finite());
        let t = StudentT::new(degrees).expect("degrees");
        prop_assert!(whole(t.cdf(x), t.upper(x)) && t.quantile(p).is_finite());
        let chi = ChiSquare::new(degrees).expect("degrees");
        prop_assert!(whole(chi.cdf(x), chi.upper(x)));
        prop_assert!(chi.quantile(p).is_finite() && chi.upper_quantile(p).is_finite());
        let f = FisherF::new(degrees, other).expect("degrees");
        prop_assert!(whole(f.cdf(x), f.upper(x)));
        prop_assert!(f.quantile(p).is_finite() && f.upper_quantile(p).is_finite());
    }

    #[test]
    fn noncentral_shares_of_any_number_are_shares(
        x in prop_oneof![prop::num::f64::NORMAL, -50.0..50.0f64],
        degrees in 1u32..10_000,
        noncentrality in -100.0..100.0f64,
    ) {
        let t = NoncentralT::new(degrees, noncentrality).expect("degrees");
        prop_assert!(whole(t.cdf(x), t.upper(x)), "{} {}", t.cdf(x), t.upper(x));
    }

    /// Where nothing is off centre the noncentral t is the other one, which is computed in another way.
    #[test]
    fn at_nought_it_is_the_central_one(x in -20.0..20.0f64, degrees in 1u32..1000) {
        let central = StudentT::new(degrees.into()).expect("degrees").cdf(x);
        let found = NoncentralT::new(degrees, 0.0).expect("degrees").cdf(x);
        prop_assert!((found / central - 1.0).abs() < 1e-10 || central < 1e-12, "{found} {central}");
    }
}
