//! The distributions against a table computed with 50 digits (mpmath; the script stands beside the table).

use super::*;
use alloc::string::String;

const TABLE: &str = include_str!("../../../tests/reference/distributions.csv");

/// How far a share may be off, relative to itself: in the middle, and below one in a thousand.
const CENTRE: f64 = 1e-12;
const TAIL: f64 = 1e-11;

struct Row {
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

fn row(line: &str) -> Row {
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
    Row {
        name: alloc::format!("{kind} {a} {b} at {x}"),
        x,
        lower,
        upper,
        found,
        quantile,
    }
}

fn rows() -> impl Iterator<Item = Row> {
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
            let tolerance = if expect < 1e-3 { TAIL } else { CENTRE };
            let off = (found - expect).abs() / expect;
            assert!(off <= tolerance, "{}: {found}, {expect}: {off:e}", row.name);
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
        assert!(off <= 1e-9, "{}: {found}: {off:e}", row.name);
    }
}
