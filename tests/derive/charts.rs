//! Charts through the whole derivation: readings as real bytes, rules as they are written, signals as facts.
//!
//! The published examples signal at the published points and nowhere else, and in-control points signal as seldom
//! as was promised, for every kind of chart.

use super::world::deep;
use crate::support::{Chance, long};
use chargehand_core::{Outcome, State, Timestamp};
use chargehand_derive::record::{Body, MessageBody};
use chargehand_derive::{Derivation, Texts};
use chargehand_script::{Rulebook, Rules, Source};
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Values of the charts' own unit, counted in steps of a ten thousandth, at a takt of a second.
const PLANT: &str = r#"
[line]
base = "works/hall/l1"
zone = "UTC"
rules = "rules"
takt_s = 1
pieces_kept = 100

[[stratum]]
name = "spindle"
values = ["A", "B", "C"]

[[station]]
name = "s1"
place = 0
condition = "as-cast"

[[station.characteristic]]
name = "size"
unit = "mm"
plausible = [-1000, 1000]
resolution = 0.0001
centre = CENTRE
sigma = SIGMA

[[role]]
name = "keeper"
may = ["close"]
"#;

/// One rule a chart, which advises while it signals and says what.
fn rule(name: &str, statistic: &str, limit: &str) -> Source {
    let file = format!("{name}.rhai");
    let text = format!(
        "rule(\"{name}\").at(\"s1\").of(\"size\", \"mm\").per(\"spindle\")\n    .chart(\"c\", {statistic}, {limit}).on_fault(\"alarm\");\n\
         fn reading(r) {{ if r.c.signal {{ advise(\"keeper\", `${{r.piece}} ${{r.c.side}} ${{r.c.pattern}}`) }} }}\n"
    );
    Source { file, text }
}

/// A line without a ledger.
struct Line {
    derivation: Derivation,
    seq: u64,
}

impl Line {
    fn new(centre: &str, sigma: &str, rules: Vec<Source>) -> Self {
        let texts = Texts {
            plant: PLANT.replace("CENTRE", centre).replace("SIGMA", sigma),
            rulebook: Rulebook::of(rules).to_text(),
        };
        let derivation = Derivation::new(&texts, "the test's plant", State::default());
        let mut line = Self {
            derivation: derivation.unwrap_or_else(|fault| panic!("{fault}")),
            seq: 0,
        };
        line.take(&Body::Start(texts.start(None)), "");
        line
    }

    fn take(&mut self, body: &Body, payload: &str) -> Vec<Outcome> {
        self.seq += 1;
        let at =
            Timestamp(1_772_400_000_000_000 + i64::try_from(self.seq).expect("few") * 1_000_000);
        self.derivation
            .derive(self.seq, at, body, payload.as_bytes())
    }

    fn message(&mut self, topic: &str, payload: &str) -> Vec<Outcome> {
        let body = Body::Message(MessageBody {
            topic: format!("works/hall/l1/{topic}"),
            ..MessageBody::default()
        });
        self.take(&body, payload)
    }

    /// Measures a piece of a spindle, and says which rules advised of it and what.
    fn reading(&mut self, piece: usize, spindle: &str, value: &str) -> BTreeMap<String, String> {
        let payload = format!(
            r#"{{"id":"i{piece}","piece":"P{piece}","strata":{{"spindle":"{spindle}"}},"values":{{"size":{value}}}}}"#
        );
        let outcomes = self.message("s1/reading", &payload);
        let judged = outcomes
            .iter()
            .any(|outcome| matches!(outcome, Outcome::Judged(_)));
        assert!(judged, "{value} is no reading: {outcomes:?}");
        let advised = outcomes.iter().filter_map(|outcome| match outcome {
            Outcome::Advisory(advisory) => Some((advisory.rule.to_string(), advisory.text.clone())),
            _ => None,
        });
        advised.collect()
    }

    fn close(&mut self, rule: &str, spindle: &str) {
        let payload = format!(
            r#"{{"id":"c{}","advisory":"{rule}.keeper.{spindle}","finding":"nothing","by":"K-1","reason":"looked"}}"#,
            self.seq
        );
        let outcomes = self.message("request/close/keeper", &payload);
        let closed = outcomes
            .iter()
            .any(|outcome| matches!(outcome, Outcome::Closed(_)));
        assert!(closed, "{outcomes:?}");
    }
}

/// The points at which each rule advises: places from 1.
fn signals(
    centre: &str,
    sigma: &str,
    rules: Vec<Source>,
    values: &[String],
) -> BTreeMap<String, Vec<(usize, String)>> {
    let mut line = Line::new(centre, sigma, rules);
    let mut found: BTreeMap<String, Vec<(usize, String)>> = BTreeMap::new();
    for (place, value) in (1..).zip(values) {
        for (rule, text) in line.reading(place, "A", value) {
            found.entry(rule).or_default().push((place, text));
        }
    }
    found
}

/// The worked example of the e-Handbook of NIST/SEMATECH, 6.3.2.3: 20 means of four with target 325 and sigma 0.635, k
/// 0.3175 and h 4.1959 in the unit of the data. Data and signals READ-2, from texts that quote the section and agree.
#[test]
fn the_published_sums_signal_at_the_published_points() {
    let file: serde_json::Value = serde_json::from_str(include_str!(
        "../../daemon/measure/check-values/nist-cusum-tabular.json"
    ))
    .expect("a file of check values");
    let rows = file["rows"].as_array().expect("rows");
    let values: Vec<String> = rows.iter().map(|row| row["x"].to_string()).collect();
    // 0.3175 / 0.635 is exactly a half; 4.1959 / 0.635 has no finite decimals.
    let rules = vec![rule("cusum", "cusum(0.5)", "control_limit(6.607716535)")];
    let found = signals("325", "0.635", rules, &values);
    let expect: Vec<(usize, String)> = file["signals_hi"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|place| {
            let place = usize::try_from(place.as_u64().expect("a place")).expect("small");
            (place, format!("P{place} above not known"))
        })
        .collect();
    assert_eq!(found, BTreeMap::from([("cusum".to_owned(), expect)]));
}

/// The worked example of the same handbook, 6.3.2.4: 20 values, lambda 0.3, three sigmas, no signal. READ-2 likewise.
#[test]
fn the_published_average_signals_nowhere() {
    let file: serde_json::Value = serde_json::from_str(include_str!(
        "../../daemon/measure/check-values/nist-ewma.json"
    ))
    .expect("a file of check values");
    let values = file["data"]["y"].as_array().expect("values");
    let values: Vec<String> = values.iter().map(ToString::to_string).collect();
    let rules = || vec![rule("ewma", "ewma(0.3)", "control_limit(3)")];
    assert_eq!(signals("50", "2.0539", rules(), &values), BTreeMap::new());
    // A little narrower it does: the last average is 51.988, 2.305 of its own sigmas off.
    let narrow = vec![rule("ewma", "ewma(0.3)", "control_limit(2.3)")];
    let found = signals("50", "2.0539", narrow, &values);
    assert_eq!(found["ewma"], [(20, "P20 above not known".to_owned())]);
}

/// 358 points made so that every run rule fires somewhere; which do was computed by two programs apart from this one
/// (see the README beside the file).
#[test]
fn every_run_rule_fires_where_it_should() {
    let table = include_str!("../../daemon/measure/check-values/run-rules-sequence.csv");
    let mut lines = table.lines();
    let names: Vec<&str> = lines.next().expect("a head").split(',').skip(2).collect();
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    let values: Vec<String> = rows.iter().map(|row| row[1].to_owned()).collect();
    let rules = names.iter().map(|name| {
        let statistic = format!("shewhart(\"{}\")", name.to_uppercase());
        rule(name, &statistic, "control_limit(100)")
    });
    let found = signals("0", "1", rules.collect(), &values);
    for (column, name) in names.iter().enumerate() {
        let fires = rows.iter().filter(|row| row[column + 2] == "1");
        let expect: Vec<usize> = fires.map(|row| row[0].parse().expect("a place")).collect();
        assert!(!expect.is_empty(), "{name} fires somewhere");
        let found = &found[*name];
        let places: Vec<usize> = found.iter().map(|(place, _)| *place).collect();
        assert_eq!(places, expect, "{name}");
        let pattern = name.to_uppercase();
        assert!(
            found.iter().all(|(_, text)| text.ends_with(&pattern)),
            "{name}: {found:?}"
        );
    }
}

/// Normal random numbers by Marsaglia's polar method, written from memory.
struct Normal(Chance);

impl Normal {
    fn uniform(&mut self) -> f64 {
        #[allow(clippy::cast_precision_loss, reason = "53 bits")]
        let unit = (self.0.next() >> 11) as f64 / (1u64 << 53) as f64;
        2.0 * unit - 1.0
    }

    fn next(&mut self) -> f64 {
        loop {
            let (u, v) = (self.uniform(), self.uniform());
            let s = u * u + v * v;
            if s > 0.0 && s < 1.0 {
                return u * (-2.0 * s.ln() / s).sqrt();
            }
        }
    }
}

/// A chart of every kind, and what the rulebook says of it; three spindles share each promise of 500 points.
const CHARTS: [(&str, &str, &str); 5] = [
    ("ewma", "ewma(0.1)", "one_false_alarm_in(500.points)"),
    ("cusum", "cusum(0.5)", "one_false_alarm_in(500.points)"),
    ("ahead", "cusum(0.5, 2)", "one_false_alarm_in(500.points)"),
    ("single", "shewhart()", "one_false_alarm_in(500.points)"),
    ("rules", "shewhart(\"WE2\", \"N2\")", "control_limit(3)"),
];

/// After each alarm its advisory is closed, so that the chart starts again, with its head start if it has one. How many
/// alarms to expect is the figure that `check` prints of each chart: points by the mean run length. Their number is
/// that of renewals, whose deviation is that of the run length in means, times the root of their number.
#[test]
fn false_alarms_are_as_seldom_as_promised() {
    let points: u32 = if long() {
        10_000_000
    } else if cfg!(debug_assertions) {
        100_000
    } else {
        1_000_000
    };
    let mut promised: BTreeMap<String, (f64, f64)> = BTreeMap::new();
    let mut alarms: BTreeMap<String, u32> = BTreeMap::new();
    deep(|| {
        let sources = CHARTS.map(|(name, statistic, limit)| rule(name, statistic, limit));
        let mut line = Line::new("0", "1", sources.to_vec());
        promised = run_lengths(&line, sources.to_vec());
        let mut normal = Normal(Chance::of(20_260_302));
        for piece in 0..points {
            // Unequal shares: half of the pieces are A's, a third B's.
            let spindle = ["A", "B", "A", "B", "A", "C"][piece as usize % 6];
            let value = format!("{:.4}", normal.next());
            for (rule, _) in line.reading(piece as usize, spindle, &value) {
                *alarms.entry(rule.clone()).or_default() += 1;
                line.close(&rule, spindle);
            }
        }
    });
    let mut said = String::new();
    let mut wrong = false;
    for (name, _, limit) in CHARTS {
        let (mean, deviation) = promised[name];
        // A limit is rounded up to three decimals, and keeps its promise so far.
        assert!(
            !limit.contains("500") || (500.0..510.0).contains(&mean),
            "{name}: {mean}"
        );
        let found = f64::from(alarms.get(name).copied().unwrap_or_default());
        let expect = f64::from(points) / mean;
        let allowed = 4.0 * expect.sqrt() * deviation / mean;
        wrong |= (found - expect).abs() > allowed;
        writeln!(
            said,
            "{name}: {found} in {points} points, promised {expect:.0}, allowed {allowed:.0} either way"
        )
        .expect("a string");
    }
    assert!(!wrong, "{said}");
}

/// Mean and deviation of the points between false alarms of each rule's chart, as resolved for the plant.
fn run_lengths(line: &Line, rules: Vec<Source>) -> BTreeMap<String, (f64, f64)> {
    let rules = Rules::load(&Rulebook::of(rules), line.derivation.plant()).expect("rules");
    let lengths = rules.charts().iter().map(|charted| {
        let length = charted.chart.run_length(0.0).expect("a run length");
        (charted.rule.to_string(), (length.mean, length.deviation))
    });
    lengths.collect()
}
