//! Charts of a header: what they show, and the limit they signal at, written down or worked out from a promise.
//!
//! A limit that is worked out is a decimal of three places, and the declaration says that decimal and not how it was
//! asked for: `control_limit(…)` with the same number is the same chart.
//!
//! Deliberately not here: how seldom a chart signals, which is worked out where numbers are, and keeping one.

use crate::fault::{Complaint, suggest};
use crate::value::{describe, plain_number};
use crate::words;
use chargehand_core::{
    CharacteristicName, LineDescription, ProductName, RuleName, StationName, StratumName,
};
use chargehand_measure::{
    Chart, Decimal, Design, DesignError, Points, RunRule, Statistic as Parameters,
    points_between_false_alarms, real,
};
use rhai::{Dynamic, Engine, FLOAT, INT, ImmutableString, NativeCallContext};
use std::any::TypeId;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Mutex, OnceLock, PoisonError};

/// Microseconds of a day.
const DAY_US: f64 = 86_400e6;
/// Designs that are remembered; more are worked out again.
const DESIGNS_KEPT: usize = 1_000;
/// How a limit is written where nothing is promised.
const EXAMPLE: &str = "control_limit(3.93)";

/// `ewma(…)`, `cusum(…)` or `shewhart(…)`, as written.
#[derive(Clone, Debug)]
pub(crate) struct Statistic {
    word: &'static str,
    given: Vec<Dynamic>,
}

/// `control_limit(…)` or `one_false_alarm_in(…)`, as written.
#[derive(Clone, Debug)]
pub(crate) struct Bound {
    word: &'static str,
    given: Dynamic,
}

/// `20000.points` or `30.days`, as written.
#[derive(Clone, Debug)]
pub(crate) struct Promise {
    number: Dynamic,
    of: &'static str,
}

/// A chart that can be kept, resolved.
#[derive(Clone, Debug)]
pub(crate) struct Resolved {
    pub(crate) chart: Chart,
    /// As `control_limit` takes it.
    pub(crate) limit: Decimal,
    /// How far from the centre what it shows may be, in sigmas of one value.
    pub(crate) half_width: f64,
    /// How its statistic is written.
    pub(crate) statistic: String,
    /// The points of all strata between false alarms that were promised.
    pub(crate) promised: Option<u64>,
    /// The days of running that were promised, where the points come from these.
    pub(crate) days: Option<Decimal>,
    /// What the declaration's text says of it.
    pub(crate) text: String,
}

/// A chart of a rulebook, as far as it is decided before it has taken a point.
#[derive(Clone, Debug)]
pub struct Charted {
    /// The rule that declares it.
    pub rule: RuleName,
    /// Its name there.
    pub name: String,
    /// The line of the rule's file that declares it, from 1.
    pub line: Option<usize>,
    /// Column in characters, from 1.
    pub column: Option<usize>,
    /// Where is measured what it follows.
    pub station: StationName,
    /// What it follows.
    pub characteristic: CharacteristicName,
    /// The product whose pieces it takes; none: one for all.
    pub product: Option<ProductName>,
    /// The stratum it is kept apart by.
    pub per: Option<StratumName>,
    /// What it shows, as a header writes it: `ewma(0.1)`.
    pub statistic: String,
    /// Its limit, as `control_limit` takes it.
    pub limit: Decimal,
    /// The points between false alarms that the limit was worked out for; none where it was written down.
    pub promised: Option<u64>,
    /// The days of running that these points were promised as.
    pub days: Option<Decimal>,
    /// The chart itself.
    pub chart: Chart,
    /// What comes to it around each centre that a stratum has, in order of the centres.
    pub points: Vec<Points>,
    /// The same counted in steps of what is measured.
    pub counted: Vec<Points>,
    /// A step of what is measured, in sigmas.
    pub step: f64,
    /// The nominal, as a text, where it serves as centre for want of one.
    pub nominal: Option<String>,
}

/// What a chart's limit comes from.
#[derive(Clone, Debug)]
enum Asked {
    Limit(Decimal),
    Points(u64),
    Days(Decimal),
}

/// Teaches the engine the words of charts.
pub(crate) fn register(engine: &mut Engine) {
    engine
        .register_type_with_name::<Statistic>("statistic")
        .register_type_with_name::<Bound>("control limit")
        .register_type_with_name::<Promise>("promise");
    for (word, most) in [("ewma", 1), ("cusum", 2), ("shewhart", RunRule::ALL.len())] {
        let least = usize::from(word != "shewhart");
        for arity in least..=most {
            let types = vec![TypeId::of::<Dynamic>(); arity];
            let note = move |_: NativeCallContext<'_>, given: &mut [&mut Dynamic]| {
                let given = given.iter().map(|given| given.flatten_clone()).collect();
                Ok(Statistic { word, given })
            };
            engine.register_raw_fn(word, types, note);
        }
    }
    for word in ["control_limit", "one_false_alarm_in"] {
        engine.register_fn(word, move |given: Dynamic| Bound { word, given });
    }
    for of in words::PROMISED.iter().copied() {
        engine
            .register_get(of, move |number: &mut INT| Promise {
                number: Dynamic::from(*number),
                of,
            })
            .register_get(of, move |number: &mut FLOAT| Promise {
                number: Dynamic::from(*number),
                of,
            });
    }
}

/// Whether a value of the header is made of something that `later` says is of a part that does not exist yet.
pub(crate) fn holds(given: &Dynamic, later: impl Fn(&Dynamic) -> bool) -> bool {
    let statistic = given.read_lock::<Statistic>();
    let bound = given.read_lock::<Bound>();
    statistic.is_some_and(|statistic| statistic.given.iter().any(&later))
        || bound.is_some_and(|bound| later(&bound.given))
}

/// What is wrong with a chart whatever it looks at.
pub(crate) fn wrong_anywhere(name: &str, first: &Dynamic, second: &Dynamic) -> Option<Complaint> {
    let what = format!("chart '{name}'");
    match read(name, &what, first, second) {
        Err(complaint) => Some(complaint),
        Ok((parameters, Asked::Limit(limit))) => with_limit(&what, &parameters, limit).err(),
        Ok((parameters, Asked::Points(points))) => designed(&what, &parameters, points, &[]).err(),
        Ok((_, Asked::Days(_))) => None,
    }
}

/// The chart of a header, for what it looks at, of which one piece in `every` is measured; `of` is what comes to it around each centre, where values are left out.
pub(crate) fn resolve(
    name: &str,
    (first, second): (&Dynamic, &Dynamic),
    every: u32,
    line: &LineDescription,
    of: &[Points],
) -> Result<Resolved, Complaint> {
    let what = format!("chart '{name}'");
    let (parameters, asked) = read(name, &what, first, second)?;
    let (points, days) = match asked {
        Asked::Limit(limit) => {
            let chart = with_limit(&what, &parameters, limit)?;
            return Ok(Resolved::of(&parameters, chart, limit));
        }
        Asked::Points(points) => (points, None),
        Asked::Days(days) => (in_points(&what, days, every, line)?, Some(days)),
    };
    let (chart, limit) = designed(&what, &parameters, points, of)?;
    Ok(Resolved {
        promised: Some(points),
        days,
        ..Resolved::of(&parameters, chart, limit)
    })
}

/// How many points the line gives in a day of 24 hours in which it runs, where one piece in `every` is measured; none
/// where nobody says how long a piece takes.
#[must_use]
#[allow(
    clippy::cast_precision_loss,
    reason = "ten years are far below 2^53 microseconds"
)]
pub fn points_a_day(every: u32, line: &LineDescription) -> Option<f64> {
    let takt = line.takt?.0 as f64;
    Some(DAY_US / takt / f64::from(every))
}

/// A promise in days as one in points.
fn in_points(
    what: &str,
    days: Decimal,
    every: u32,
    line: &LineDescription,
) -> Result<u64, Complaint> {
    let points = points_a_day(every, line).ok_or_else(|| {
        Complaint::new(
            format!("{what} promises days, and nobody says how many pieces the line makes in one"),
            "add `takt_s` to [line] in the plant description, or promise points: one_false_alarm_in(20000.points)",
        )
    })?;
    points_between_false_alarms(real(days), &[points])
        .map_err(|error| Complaint::new(format!("{what}: {error}"), ""))
}

/// What stands in the header, read as far as it can be without anything it looks at.
fn read(
    name: &str,
    what: &str,
    first: &Dynamic,
    second: &Dynamic,
) -> Result<(Parameters, Asked), Complaint> {
    let (Some(statistic), Some(bound)) =
        (first.read_lock::<Statistic>(), second.read_lock::<Bound>())
    else {
        return Err(Complaint::new(
            format!("{what} is made of {} and {}", part(first), part(second)),
            format!("write .chart(\"{name}\", ewma(0.1), {EXAMPLE})"),
        ));
    };
    let parameters = parameters(what, &statistic)?;
    // Whatever its limit, its parameters have to be possible; a head start has to be below the limit.
    with_limit(what, &without_head(&parameters), Decimal::ONE_HUNDRED)?;
    let asked = asked(what, &bound)?;
    Ok((parameters, asked))
}

fn parameters(what: &str, statistic: &Statistic) -> Result<Parameters, Complaint> {
    let given = |place: usize, example: &str| match statistic.given.get(place) {
        Some(given) => number(what, statistic.word, given, example).map(Some),
        None => Ok(None),
    };
    match statistic.word {
        "ewma" => Ok(Parameters::Ewma {
            lambda: given(0, "0.1")?.unwrap_or_default(),
        }),
        "cusum" => Ok(Parameters::Cusum {
            reference: given(0, "0.5")?.unwrap_or_default(),
            head_start: given(1, "0.5, 2.5")?.unwrap_or_default(),
        }),
        _ => {
            let rules = statistic.given.iter().map(|given| run_rule(what, given));
            let rules: Vec<RunRule> = rules.collect::<Result<_, _>>()?;
            Ok(Parameters::Shewhart {
                rules: rules.into_iter().collect(),
            })
        }
    }
}

fn run_rule(what: &str, given: &Dynamic) -> Result<RunRule, Complaint> {
    let Some(name) = given.read_lock::<ImmutableString>() else {
        return Err(Complaint::new(
            format!(
                "{what}: `shewhart` was given {}, wanted the names of run rules",
                describe(given)
            ),
            "write shewhart(\"WE2\", \"N2\"), or shewhart() for the limit alone",
        ));
    };
    RunRule::named(&name).ok_or_else(|| {
        let names = RunRule::ALL.into_iter().map(RunRule::name);
        Complaint::new(
            format!("{what}: '{}' is no run rule", *name),
            suggest(&name, names),
        )
    })
}

fn asked(what: &str, bound: &Bound) -> Result<Asked, Complaint> {
    if bound.word == "control_limit" {
        return number(what, bound.word, &bound.given, "3.93").map(Asked::Limit);
    }
    let promise = bound.given.read_lock::<Promise>();
    let number = promise
        .as_ref()
        .and_then(|promise| plain_number(&promise.number).and_then(|number| number.decimal().ok()));
    let (Some(promise), Some(number)) = (promise, number) else {
        let example =
            plain_number(&bound.given).map_or("20000".to_owned(), |number| number.to_string());
        return Err(Complaint::new(
            format!(
                "{what}: `{}` was given {}, wanted points or days",
                bound.word,
                describe(&bound.given)
            ),
            format!("write {0}({example}.points) or {0}(30.days)", bound.word),
        ));
    };
    if promise.of == "days" {
        return Ok(Asked::Days(number));
    }
    let points = number.is_integer().then(|| u64::try_from(number).ok());
    points.flatten().map(Asked::Points).ok_or_else(|| {
        Complaint::new(
            format!("{what}: {number} points is no number of points"),
            format!("write a whole number, such as {}(20000.points)", bound.word),
        )
    })
}

fn number(what: &str, word: &str, given: &Dynamic, example: &str) -> Result<Decimal, Complaint> {
    plain_number(given)
        .and_then(|number| number.decimal().ok())
        .ok_or_else(|| {
            Complaint::new(
                format!(
                    "{what}: `{word}` was given {}, wanted a number",
                    describe(given)
                ),
                format!("write {word}({example})"),
            )
        })
}

/// Why no limit keeps a promise, and what to do.
fn no_limit(what: &str, error: DesignError, points: u64) -> Complaint {
    let DesignError::Rules { alone } = error else {
        return Complaint::new(format!("{what}: {error}"), "");
    };
    Complaint::new(
        format!(
            "{what}: its run rules alone signal falsely once in {alone:.0} points, whatever the limit, and one in {points} was promised"
        ),
        "promise fewer points, or take run rules out, or take an ewma(0.1) or cusum(0.5), which can keep any promise; control_limit(3) is for who accepts what `check` then says",
    )
}

/// The chart with that limit.
fn with_limit(what: &str, parameters: &Parameters, limit: Decimal) -> Result<Chart, Complaint> {
    parameters
        .with_limit(limit)
        .map_err(|error| Complaint::new(format!("{what}: {error}"), ""))
}

/// The chart that signals falsely once in so many points, and its limit.
///
/// Every rulebook is loaded several times in a check and at every start, and a limit takes some milliseconds to be
/// found: it is remembered. It depends on nothing else.
fn designed(
    what: &str,
    parameters: &Parameters,
    points: u64,
    of: &[Points],
) -> Result<(Chart, Decimal), Complaint> {
    type Known = Mutex<BTreeMap<(String, u64), Result<Decimal, DesignError>>>;
    static KNOWN: OnceLock<Known> = OnceLock::new();
    let key = (format!("{} {of:?}", written(parameters)), points);
    let known = KNOWN.get_or_init(Known::default);
    let lock = || known.lock().unwrap_or_else(PoisonError::into_inner);
    let found = lock().get(&key).copied();
    let limit = found.unwrap_or_else(|| {
        let limit = Design::new(*parameters, points, of).map(|design| design.limit);
        let mut known = lock();
        if known.len() < DESIGNS_KEPT {
            known.insert(key, limit);
        }
        limit
    });
    let limit = limit.map_err(|error| no_limit(what, error, points))?;
    Ok((with_limit(what, parameters, limit)?, limit))
}

/// A statistic as a header writes it.
fn written(parameters: &Parameters) -> String {
    match parameters {
        Parameters::Ewma { lambda } => format!("ewma({})", lambda.normalize()),
        Parameters::Cusum {
            reference,
            head_start,
        } => {
            let k = reference.normalize();
            match head_start.normalize() {
                nothing if nothing.is_zero() => format!("cusum({k})"),
                head => format!("cusum({k}, {head})"),
            }
        }
        Parameters::Shewhart { rules } => {
            let names: Vec<String> = rules.iter().map(|rule| format!("\"{rule}\"")).collect();
            format!("shewhart({})", names.join(", "))
        }
    }
}

fn without_head(parameters: &Parameters) -> Parameters {
    match *parameters {
        Parameters::Cusum { reference, .. } => Parameters::Cusum {
            reference,
            head_start: Decimal::ZERO,
        },
        other => other,
    }
}

/// What the declaration's text says of the chart with that limit.
fn text(parameters: &Parameters, limit: Decimal) -> String {
    let limit = limit.normalize();
    let (mut text, rest) = match parameters {
        Parameters::Ewma { lambda } => (format!("ewma {}", lambda.normalize()), String::new()),
        Parameters::Cusum {
            reference,
            head_start,
        } => {
            let head = Some(head_start.normalize()).filter(|head| !head.is_zero());
            let rest = head.map_or_else(String::new, |head| format!(" head_start {head}"));
            (format!("cusum {}", reference.normalize()), rest)
        }
        Parameters::Shewhart { rules } => {
            let names = rules.iter().map(|rule| format!(" {rule}"));
            ("shewhart".to_owned(), names.collect())
        }
    };
    write!(text, " control_limit {limit}{rest}").expect("a string takes all");
    text
}

impl Resolved {
    fn of(parameters: &Parameters, chart: Chart, limit: Decimal) -> Self {
        let half_width = match &chart {
            Chart::Ewma(ewma) => ewma.half_width(),
            Chart::Cusum(_) | Chart::Shewhart(_) => real(limit),
        };
        Self {
            chart,
            limit,
            half_width,
            statistic: written(parameters),
            promised: None,
            days: None,
            text: text(parameters, limit),
        }
    }
}

fn part(given: &Dynamic) -> String {
    if let Some(statistic) = given.read_lock::<Statistic>() {
        format!("{}(…)", statistic.word)
    } else if let Some(bound) = given.read_lock::<Bound>() {
        format!("{}(…)", bound.word)
    } else if let Some(promise) = given.read_lock::<Promise>() {
        format!("a number of {}", promise.of)
    } else {
        describe(given).to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rules::Rules;
    use crate::rules::tests::{book, plant};
    use chargehand_core::{Judge as _, Plant, TextDigest};

    /// The chart that a header makes of mass, or what is wrong with it.
    fn made(statistic: &str, bound: &str, plant: &Plant, of: &str) -> Result<Resolved, String> {
        let mut engine = Engine::new_raw();
        register(&mut engine);
        let value = |script: &str| engine.eval::<Dynamic>(script).expect("a word in a test");
        let (first, second) = (value(statistic), value(bound));
        let station = ["s30", "s95"].map(|name| plant.station(name).expect("a station"));
        let found = station
            .iter()
            .find_map(|station| station.characteristic(of));
        let aims = found.and_then(|found| found.aims.of(None));
        let every = aims.expect("a characteristic").every;
        resolve("x", (&first, &second), every, &plant.line, &[]).map_err(|complaint| {
            let (what, remedy) = complaint.told();
            format!("{what}: {remedy}")
        })
    }

    #[test]
    fn what_a_declaration_says_of_a_chart() {
        let check = |statistic: &str, bound: &str, expect: &str| {
            let found = made(statistic, bound, &plant(), "mass").map(|made| made.text);
            assert_eq!(found.as_deref(), Ok(expect), "{statistic} {bound}");
        };
        check(
            "ewma(0.1)",
            "control_limit(3.93)",
            "ewma 0.1 control_limit 3.93",
        );
        check("ewma(0.10)", "control_limit(3)", "ewma 0.1 control_limit 3");
        check(
            "cusum(0.5)",
            "control_limit(4)",
            "cusum 0.5 control_limit 4",
        );
        check(
            "cusum(0.5, 0)",
            "control_limit(4.0)",
            "cusum 0.5 control_limit 4",
        );
        check(
            "cusum(0.5, 2)",
            "control_limit(4)",
            "cusum 0.5 control_limit 4 head_start 2",
        );
        check("shewhart()", "control_limit(3)", "shewhart control_limit 3");
        // In whatever order, and however often, the rules are written.
        let rules = "shewhart control_limit 3 WE2 N2";
        check(r#"shewhart("N2", "WE2", "N2")"#, "control_limit(3)", rules);
    }

    /// What is kept of an average hangs on this digest: it is of the text that stands here, which an earlier version made
    /// of such a header and every later one has to make.
    #[test]
    fn a_chart_declared_before_goes_on() {
        let header = r#"rule("x").at("s30").of("mass", "g").per("mould").leave_out(off_nominal_by(40.g)).chart("wear", ewma(0.10), control_limit(3.93)).on_fault("hold");"#;
        let digest_of = |handler: &str| {
            let book = book(&[("a.rhai", &format!("{header}\n{handler}"))]);
            let rules = Rules::load(&book, &plant()).unwrap_or_else(|faults| panic!("{faults:?}"));
            rules.declarations()[0].digest.clone()
        };
        let text = "chargehand watch 1\na/wear\ns30 mass g 0.1\nper mould\nleave out off 14500 by 400\nby lc-1\n\
                    chart ewma 0.1 control_limit 3.93 centre 1450 sigma 5.05";
        let plain = "fn reading(r) { if r.wear.signal { hold(\"x\") } }";
        let digest = |text: &str| TextDigest::from(crate::book::digest(text));
        assert_eq!(digest_of(plain), digest(text));
        // One that looks ahead keeps more, and is another; whatever it is called where it is asked.
        let ahead = digest(&format!("{text} ahead 1"));
        for handler in [
            "fn reading(r) { hold(`${r.wear.left}`) }",
            "fn reading(r) { let w = r.wear; if w.signal { hold(`${w.rate}`) } }",
            "fn reading(r) { told(r.wear) }\nfn told(chart) { hold(`${chart.left}`) }",
            "fn reading(r) { told(r) }\nfn told(facts) { hold(`${facts.wear.left}`) }",
        ] {
            assert_eq!(digest_of(handler), ahead, "{handler}");
        }
    }

    /// However it is asked for, the same limit is the same chart. The EWMA of weight 0.1 with one false alarm in 500
    /// points has the limit 2.814 in the tables of the field (Lucas and Saccucci, Technometrics 32, 1990; from memory).
    #[test]
    fn a_limit_written_down_is_the_chart_that_was_promised() {
        let plant = plant();
        let points = made(
            "ewma(0.1)",
            "one_false_alarm_in(500.points)",
            &plant,
            "mass",
        );
        let points = points.expect("a chart");
        assert!(
            (2.813..=2.815).contains(&real(points.limit)),
            "{}",
            points.limit
        );
        assert_eq!(points.promised, Some(500));
        let written = made(
            "ewma(0.1)",
            &format!("control_limit({})", points.limit),
            &plant,
            "mass",
        );
        let written = written.expect("a chart");
        assert_eq!((&written.text, written.chart), (&points.text, points.chart));
        assert_eq!(written.promised, None);
    }

    /// A takt of 24 s gives 3600 points a day, where one piece in nine is measured 400.
    #[test]
    fn days_are_points_at_the_takt_of_the_line() {
        let promised = |days: &str, plant: &Plant, of: &str| {
            let bound = format!("one_false_alarm_in({days}.days)");
            made("shewhart()", &bound, plant, of).map(|made| made.promised)
        };
        let mut plant = plant();
        assert_eq!(promised("30", &plant, "mass"), Ok(Some(108_000)));
        assert_eq!(promised("30", &plant, "moisture"), Ok(Some(12_000)));
        assert_eq!(promised("0.5", &plant, "moisture"), Ok(Some(200)));
        // At least what was promised.
        assert_eq!(promised("0.2506", &plant, "moisture"), Ok(Some(101)));
        let few = promised("0.01", &plant, "mass").expect_err("36 points");
        assert_eq!(
            few,
            "chart 'x': one false alarm in 36 points is outside 100 to 10000000: "
        );
        let none = promised("0", &plant, "mass").expect_err("no days");
        assert!(
            none.starts_with("chart 'x': one false alarm in 0 days"),
            "{none}"
        );
        plant.line.takt = None;
        let lost = promised("30", &plant, "mass").expect_err("no takt");
        assert!(lost.contains("add `takt_s` to [line]"), "{lost}");
    }

    /// Run rules spend some of the promise, and the limit is wider for it; past what they spend alone there is none.
    /// Nine in a row on one side come once in 511 points (2^9 - 1, as in any textbook), and two of three beyond two
    /// sigmas about as seldom.
    #[test]
    fn run_rules_share_a_promise_with_the_limit() {
        let plant = plant();
        let limit = |statistic: &str, points: u64| {
            let bound = format!("one_false_alarm_in({points}.points)");
            made(statistic, &bound, &plant, "mass").map(|made| made.limit.to_string())
        };
        assert_eq!(limit(r#"shewhart("N2")"#, 400).as_deref(), Ok("3.455"));
        assert_eq!(limit("shewhart()", 400).as_deref(), Ok("3.024"));
        // With three sigmas they err once in 217 points.
        assert_eq!(limit(r#"shewhart("N2")"#, 200).as_deref(), Ok("2.959"));
        assert_eq!(
            limit(r#"shewhart("N2", "WE2")"#, 500).expect_err("too much"),
            "chart 'x': its run rules alone signal falsely once in 259 points, whatever the limit, and one in 500 was promised: promise fewer points, or take run rules out, or take an ewma(0.1) or cusum(0.5), which can keep any promise; control_limit(3) is for who accepts what `check` then says",
        );
        assert_eq!(
            limit(r#"shewhart("N2")"#, 99).expect_err("too few"),
            "chart 'x': one false alarm in 99 points is outside 100 to 10000000: "
        );
        let frozen = made(r#"shewhart("N2")"#, "control_limit(3.455)", &plant, "mass");
        assert_eq!(
            frozen.expect("a chart").text,
            "shewhart control_limit 3.455 N2"
        );
    }
}
