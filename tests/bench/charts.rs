//! What charts cost: a point of each kind, beside adding the same points up; the design of each limit; all that `check`
//! works out for one chart, also for those that take longest; and `check` of a rulebook with fifty charts, which are all
//! designed anew.

use crate::figures::{Row, millis, quantile, verdict};
use crate::support::daemon::{chargehand, stdout};
use crate::support::{Chance, Folder};
use chargehand_measure::{
    Chart, Cusum, Decimal, Design, Ewma, MovingRange, RunRule, RunRules, Shewhart, USUAL_SHIFTS,
    individuals,
};
use std::fmt::Write as _;
use std::hint::black_box;
use std::time::{Duration, Instant};

/// Points of one round.
const POINTS: usize = 1_000_000;
/// Rounds; the median counts.
const ROUNDS: usize = 7;
/// Charts of the rulebook.
const CHARTS: u64 = 50;
/// What is wanted of one chart.
const TARGET: Duration = Duration::from_millis(100);

pub fn measure() -> Vec<Row> {
    let points = points();
    let sum = median(|| {
        black_box(black_box(&points).iter().sum::<f64>());
    });
    println!("\n## Charts\n");
    println!("{POINTS} points, medians of {ROUNDS}.\n");
    println!("| a point of | nanoseconds | times adding it up |\n|---|---|---|");
    let mut each = Vec::new();
    for (name, chart) in charts() {
        let fed = median(|| {
            let mut state = chart.start();
            let signals = points
                .iter()
                .filter(|point| chart.feed(&mut state, **point).is_some());
            black_box(signals.count());
        });
        let nanos = fed.as_secs_f64() * 1e9 / POINTS as f64;
        let times = fed.as_secs_f64() / sum.as_secs_f64();
        println!("| {name} | {nanos:.1} | {times:.0} |");
        each.push(format!("{name} {nanos:.0} ns"));
    }
    let ranges = individuals(&points[..100]).expect("a chart");
    let fed = median(|| {
        let mut at = MovingRange::default();
        let outside = points.iter().filter(|point| {
            at = at.after(**point);
            ranges.value_side(&at).or(ranges.range_side(&at)).is_some()
        });
        black_box(outside.count());
    });
    let nanos = fed.as_secs_f64() * 1e9 / POINTS as f64;
    let times = fed.as_secs_f64() / sum.as_secs_f64();
    println!("| value and moving range | {nanos:.1} | {times:.0} |");
    each.push(format!("value and moving range {nanos:.0} ns"));
    let designs = designs();
    let figures = figures();
    let book = checked();
    println!(
        "\n`check` of {CHARTS} charts, each of another promise: {}.",
        millis(book)
    );
    vec![
        Row::new(
            "a point of a chart".into(),
            [each.join(", ")],
            String::new(),
        ),
        designs,
        figures,
        Row::new(
            format!("`check` of {CHARTS} charts, each of another promise"),
            [format!("{:.2} s", book.as_secs_f64())],
            String::new(),
        ),
    ]
}

/// Normal enough, from twelve drawn numbers each.
fn points() -> Vec<f64> {
    let mut chance = Chance::of(7);
    let mut one = || {
        (0..12)
            .map(|_| chance.below(1 << 20) as f64 / (1 << 20) as f64)
            .sum::<f64>()
            - 6.0
    };
    (0..POINTS).map(|_| one()).collect()
}

fn decimal(text: &str) -> Decimal {
    text.parse().expect("a decimal")
}

fn charts() -> Vec<(&'static str, Chart)> {
    let three = Some(decimal("3"));
    vec![
        (
            "EWMA",
            Chart::Ewma(Ewma::new(decimal("0.1"), decimal("3.932")).expect("a chart")),
        ),
        (
            "CUSUM",
            Chart::Cusum(Cusum::new(decimal("0.5"), decimal("8.746")).expect("a chart")),
        ),
        (
            "single values",
            Chart::Shewhart(Shewhart::new(three, RunRules::NONE).expect("a chart")),
        ),
        (
            "with four run rules",
            Chart::Shewhart(Shewhart::new(three, RunRules::WESTERN_ELECTRIC).expect("a chart")),
        ),
    ]
}

/// The slowest of some promises, of each kind.
fn designs() -> Row {
    println!("\n| limit for one false alarm in 100 to 10,000,000 points | slowest |\n|---|---|");
    let slowest = |design: &dyn Fn(u64)| {
        let took = [100, 10_000, 20_000, 1_000_000, 10_000_000].map(|promise| {
            let begun = Instant::now();
            design(promise);
            begun.elapsed()
        });
        took.into_iter().max().expect("five")
    };
    let mut texts = Vec::new();
    let mut all = Duration::ZERO;
    let kinds: [(&str, &dyn Fn(u64)); 3] = [
        ("EWMA, weight 0.1", &|promise| {
            black_box(Design::ewma(decimal("0.1"), promise).expect("a design"));
        }),
        ("CUSUM, k 0.5", &|promise| {
            black_box(Design::cusum(decimal("0.5"), promise).expect("a design"));
        }),
        ("single values", &|promise| {
            black_box(Design::shewhart(promise).expect("a design"));
        }),
    ];
    for (name, design) in kinds {
        let took = slowest(design);
        all = all.max(took);
        println!("| {name} | {} |", millis(took));
        texts.push(format!("{name} {}", millis(took)));
    }
    println!(
        "\nWanted: {} ms a design. {}.",
        TARGET.as_millis(),
        verdict(all <= TARGET)
    );
    Row::new(
        "a limit from a promise, the slowest".into(),
        [texts.join(", ")],
        String::new(),
    )
}

/// A chart's limit, worked out or written down.
enum Made {
    Ewma(&'static str, u64),
    Cusum(&'static str, u64),
    Promised(&'static str, u64),
    Limited(&'static str, &'static str),
}

impl Made {
    /// As it is asked for.
    fn name(&self) -> String {
        match self {
            Self::Ewma(weight, promise) => format!("EWMA, weight {weight}, one in {promise}"),
            Self::Cusum(k, promise) => format!("CUSUM, k {k}, one in {promise}"),
            Self::Promised(rules, promise) => format!("{rules}, one in {promise}"),
            Self::Limited(rules, limit) => format!("{rules}, limit {limit}"),
        }
    }

    fn chart(&self) -> Chart {
        let rules = |names: &str| -> RunRules {
            let rules = names.split(' ').map(RunRule::named);
            rules.map(|rule| rule.expect("a run rule")).collect()
        };
        let design = match self {
            Self::Ewma(weight, promise) => Design::ewma(decimal(weight), *promise),
            Self::Cusum(k, promise) => Design::cusum(decimal(k), *promise),
            Self::Promised(names, promise) => Design::shewhart_with(rules(names), *promise),
            Self::Limited(names, limit) => {
                let chart = Shewhart::new(Some(decimal(limit)), rules(names));
                return Chart::Shewhart(chart.expect("a chart"));
            }
        };
        design.expect("a design").chart
    }
}

/// All that `check` works out for one chart, for usual ones and for those that take longest: sets of run rules that
/// compare neighbours, and very small weights and reference values.
fn figures() -> Row {
    println!(
        "\n| limit and figures of one chart | | wanted: {} ms |\n|---|---|---|",
        TARGET.as_millis()
    );
    let (mut slowest, mut late) = (Duration::ZERO, 0);
    let all = [
        Made::Ewma("0.1", 20_000),
        Made::Cusum("0.5", 20_000),
        Made::Limited("WE1 WE2 WE3 WE4", "3"),
        Made::Promised("WE2 N2", 200),
        Made::Limited("N3 N4 N5 N6 N8", "4"),
        Made::Limited("N1 N2 N3 N4 N5 N6", "3"),
        Made::Limited("N1 N2 N3 N4 N5 N6 N7 N8", "3"),
        Made::Limited("N2 N3 N4 N7", "4"),
        Made::Promised("N2 N3 N4 N7", 140),
        Made::Ewma("0.001", 20_000),
        Made::Ewma("0.0015", 1_000_000),
        Made::Cusum("0.03", 100_000),
    ];
    for made in &all {
        let took = median(|| {
            let chart = made.chart();
            let [a, b, c, d] = USUAL_SHIFTS;
            black_box(chart.run_lengths([0.0, a, b, c, d]).expect("run lengths"));
        });
        slowest = slowest.max(took);
        late += u32::from(took > TARGET);
        println!(
            "| {} | {} | {} |",
            made.name(),
            millis(took),
            verdict(took <= TARGET)
        );
    }
    Row::new(
        format!(
            "limit and figures of one of {} charts, hard ones among them",
            all.len()
        ),
        [format!("at most {}", millis(slowest))],
        match late {
            0 => verdict(true).to_owned(),
            some => format!("{some} of {} above {} ms", all.len(), TARGET.as_millis()),
        },
    )
}

/// A rulebook in which no two charts are alike.
fn checked() -> Duration {
    let folder = Folder::new();
    let plant = folder.write(
        "plant.toml",
        "[line]\nbase = \"brook/forge/l1\"\nzone = \"Europe/Berlin\"\ntakt_s = 24\nrules = \"rules\"\n\n\
         [[station]]\nname = \"w1\"\nplace = 0\ncondition = \"as-cast\"\ngate = { kind = \"lane\", within_s = 60, effect = \"divert\" }\n\n\
         [[station.characteristic]]\nname = \"height\"\nunit = \"mm\"\nnominal = 40\nlower = 38\nupper = 42\n\
         plausible = [1, 90]\nresolution = 0.01\nof = \"piece\"\nsigma = 0.3\n",
    );
    for number in 0..CHARTS {
        let promise = 10_000 + 200 * number;
        let mut text = String::new();
        write!(
            text,
            "rule(\"Chart {number} drifts\")\n    .at(\"w1\").of(\"height\", \"mm\")\n    \
             .chart(\"mean\", ewma(0.1), one_false_alarm_in({promise}.points))\n    .on_fault(\"hold\");\n\n\
             fn reading(r) {{ if r.mean.signal {{ hold(`height at ${{r.mean.level}}`) }} }}\n"
        )
        .expect("a string takes all");
        folder.write(&format!("rules/c{number}.rhai"), &text);
    }
    let plant = plant.display().to_string();
    median(|| {
        let said = stdout(&chargehand(&["check", "--plant", &plant]));
        assert_eq!(
            said.matches("worked out for one false alarm").count() as u64,
            CHARTS,
            "{said}"
        );
    })
}

fn median(work: impl Fn()) -> Duration {
    let took = (0..ROUNDS).map(|_| {
        let begun = Instant::now();
        work();
        begun.elapsed()
    });
    quantile(took.collect(), 0.5)
}
