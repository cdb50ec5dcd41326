//! Limits, counters and charts of a header, held against the characteristic they look at.
//!
//! What a header writes (`below(2.50.um)`, `ewma(0.1)`) is counted here in steps of the characteristic, checked
//! against what is plausible of it, and made into the declarations the line keeps watches for. A declaration has a
//! digest of all that decides what the watch takes and shows: the same digest keeps its state.
//!
//! Deliberately not here: keeping counts and levels.

use crate::book::digest;
use crate::chart::{self, Resolved};
use crate::declared::{Kind, Limit};
use crate::fault::{Complaint, Finding};
use crate::literal::literal;
use crate::quantity::{Quantity, Subject};
use crate::value::{describe, plain_number};
use chargehand_core::{
    Aims, Centre, Characteristic, Declaration, LineDescription, Mark, Mean, Outlook, ProductName,
    RuleName, Station, StratumName, TextDigest, Watch,
};
use chargehand_measure::{Decimal, Points, Scale, real};
use rhai::{Dynamic, Engine, NativeCallContext, Position};
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::rc::Rc;

/// Most pieces a counter looks at.
const PIECES_MAX: i64 = 1000;

/// A counter or a chart, before it is held against anything.
#[derive(Debug)]
pub(crate) struct Noted {
    pub(crate) at: Position,
    pub(crate) kind: Kind,
    pub(crate) name: String,
    pub(crate) first: Dynamic,
    pub(crate) second: Dynamic,
}

/// What values are counted in, and what can be true of them.
pub(crate) struct Gauged<'a> {
    pub(crate) subject: &'a Rc<Subject>,
    pub(crate) plausible: Option<(i64, i64)>,
}

/// `below(…)` and its kind, as written.
#[derive(Clone, Debug)]
struct Marked {
    at: Position,
    word: &'static str,
    given: Vec<Dynamic>,
}

/// What a word of a part that does not exist yet stands for: it has been refused by name already.
#[derive(Clone, Debug)]
pub(crate) struct Later;

/// Whether a value is made of such a word, so that there is nothing more to say about it.
pub(crate) fn is_later(given: &Dynamic) -> bool {
    given.is::<Later>()
        || given
            .read_lock::<Marked>()
            .is_some_and(|marked| marked.given.iter().any(is_later))
        || chart::holds(given, is_later)
}

impl Noted {
    pub(crate) fn is_later(&self) -> bool {
        is_later(&self.first) || is_later(&self.second)
    }

    /// What is wrong with it whatever is measured.
    pub(crate) fn wrong_anywhere(&self) -> Option<Complaint> {
        match self.kind {
            Kind::Counter => of_last(self).err(),
            Kind::Chart => chart::wrong_anywhere(&self.name, &self.first, &self.second),
        }
    }
}

/// Where a value of the header stands, where it knows.
pub(crate) fn place_of(given: &Dynamic) -> Option<Position> {
    given.read_lock::<Marked>().map(|marked| marked.at)
}

/// Teaches the engine the words that stand inside those of a header.
pub(crate) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<Marked>("mark");
    for word in ["below", "above", "off_nominal_by"] {
        engine.register_fn(
            word,
            move |context: NativeCallContext<'_>, limit: Dynamic| Marked {
                at: context.call_position(),
                word,
                given: vec![limit],
            },
        );
    }
    engine.register_fn(
        "within",
        |context: NativeCallContext<'_>, low: Dynamic, high: Dynamic| Marked {
            at: context.call_position(),
            word: "within",
            given: vec![low, high],
        },
    );
    chart::register(engine);
}

/// A limit that the handler can ask for.
pub(crate) fn limit(name: &str, given: &Dynamic, of: &Gauged<'_>) -> Result<Limit, Complaint> {
    let what = format!("limit '{name}'");
    if let Some(marked) = given.read_lock::<Marked>() {
        let Mark::Within(low, high) = counted_mark(&what, &marked, of)? else {
            return Err(Complaint::new(
                format!("{what} is written with `{}`", marked.word),
                "write a quantity, or within(low, high)",
            ));
        };
        return Ok(Limit::Band(
            Quantity::counted(low, of.subject),
            Quantity::counted(high, of.subject),
        ));
    }
    let count = counted(&what, given, of.subject)?;
    // It may be meant as a value or as a difference; what can be neither is a slip.
    if let Some((low, high)) = of.plausible
        && !(low..=high).contains(&count)
        && count.unsigned_abs() > high.abs_diff(low)
    {
        return Err(implausible(&what, count, of, low, high));
    }
    Ok(Limit::One(Quantity::counted(count, of.subject)))
}

/// Which values are meant.
pub(crate) fn mark(what: &str, given: &Dynamic, of: &Gauged<'_>) -> Result<Mark, Complaint> {
    match given.read_lock::<Marked>() {
        Some(marked) => counted_mark(what, &marked, of),
        None => {
            let code = of.subject.scale.unit().code();
            let (one, two) = (literal(1.into(), code), literal(2.into(), code));
            Err(Complaint::new(
                format!("{what} is {}", describe(given)),
                format!(
                    "write below({one}), above({one}), within({one}, {two}) or off_nominal_by({one})"
                ),
            ))
        }
    }
}

fn counted_mark(what: &str, marked: &Marked, of: &Gauged<'_>) -> Result<Mark, Complaint> {
    let counts: Vec<i64> = marked
        .given
        .iter()
        .map(|given| counted(what, given, of.subject))
        .collect::<Result<_, _>>()?;
    let (first, last) = (counts[0], counts[counts.len() - 1]);
    if marked.word == "off_nominal_by" {
        let nominal = of.subject.nominal.ok_or_else(|| {
            Complaint::new(
                format!("{} has no nominal to be off from", of.subject.what()),
                "give it one in the plant description, or write below(…) and above(…)",
            )
        })?;
        if first < 0 {
            return Err(Complaint::new(
                format!("{what}: a value is never off nominal by less than nothing"),
                "write it without the sign",
            ));
        }
        if let Some((low, high)) = of.plausible
            && first.unsigned_abs() > high.abs_diff(low)
        {
            return Err(implausible(what, first, of, low, high));
        }
        return Ok(Mark::OffNominalBy { nominal, by: first });
    }
    for count in &counts {
        if let Some((low, high)) = of.plausible
            && !(low..=high).contains(count)
        {
            return Err(implausible(what, *count, of, low, high));
        }
    }
    match marked.word {
        "below" => Ok(Mark::Below(first)),
        "above" => Ok(Mark::Above(first)),
        _ if first > last => Err(Complaint::new(
            format!(
                "{what}: nothing is within {} and {}",
                of.subject.scale.text(first),
                of.subject.scale.text(last)
            ),
            "write the smaller one first",
        )),
        _ => Ok(Mark::Within(first, last)),
    }
}

fn implausible(what: &str, count: i64, of: &Gauged<'_>, low: i64, high: i64) -> Complaint {
    let text = |count| of.subject.scale.text(count);
    Complaint::new(
        format!(
            "{what}: {} can never be true of {}, which is plausible from {} to {}",
            text(count),
            of.subject.what(),
            text(low),
            text(high)
        ),
        "check the number, or the plant description's `plausible`",
    )
}

/// A quantity in steps of what the rule reads.
fn counted(what: &str, given: &Dynamic, subject: &Subject) -> Result<i64, Complaint> {
    let code = subject.scale.unit().code();
    let bare = |number: Option<Decimal>| {
        let example = literal(number.unwrap_or(Decimal::from(40)), code);
        Complaint::new(
            format!("{what} is {}, wanted a quantity", describe(given)),
            format!("write {example}"),
        )
    };
    let Some(quantity) = given.read_lock::<Quantity>() else {
        return Err(bare(
            plain_number(given).and_then(|number| number.decimal().ok()),
        ));
    };
    if quantity.unit() != subject.scale.unit() {
        let found = quantity.unit().code();
        return Err(Complaint::new(
            format!("{what} is in {found}, {} is in {code}", subject.what()),
            quantity.rewritten(subject),
        ));
    }
    quantity.count_in(subject).map_err(|complaint| Complaint {
        what: format!("{what}: {}", complaint.told().0).into(),
        ..complaint
    })
}

/// A counter or a chart that can be kept.
pub(crate) struct Made {
    pub(crate) watch: Watch,
    /// Its canonical text.
    pub(crate) text: String,
    /// Of a chart: what there is to say of it.
    pub(crate) charted: Option<Charting>,
}

/// A chart, and what comes to it.
pub(crate) struct Charting {
    pub(crate) resolved: Resolved,
    /// Around each centre.
    pub(crate) points: Vec<Points>,
    /// The same counted in steps.
    pub(crate) counted: Vec<Points>,
    /// A step of what is measured, in sigmas.
    pub(crate) step: f64,
    /// The nominal that serves as centre.
    pub(crate) nominal: Option<String>,
}

/// What a watch of the header is held against.
pub(crate) struct Against<'a> {
    pub(crate) gauged: &'a Gauged<'a>,
    pub(crate) characteristic: &'a Characteristic,
    pub(crate) aims: &'a Aims,
    pub(crate) line: &'a LineDescription,
    pub(crate) leave_out: &'a [Mark],
}

/// A counter or a chart that can be kept; `ahead` says whether its rule asks where the chart's mean goes.
pub(crate) fn watch(noted: &Noted, of: &Against<'_>, ahead: bool) -> Result<Made, Finding> {
    match noted.kind {
        Kind::Counter => counter(noted, of.gauged),
        Kind::Chart => chart(noted, of, ahead).map_err(|complaint| (Position::NONE, complaint)),
    }
}

fn counter(noted: &Noted, of: &Gauged<'_>) -> Result<Made, Finding> {
    let what = format!("counter '{}'", noted.name);
    let place = place_of(&noted.first).unwrap_or(Position::NONE);
    let mark = mark(&what, &noted.first, of).map_err(|complaint| (place, complaint))?;
    let of_last = of_last(noted).map_err(|complaint| (Position::NONE, complaint))?;
    let text = format!("counter {} of_last {of_last}", mark_text(mark));
    Ok(Made {
        watch: Watch::Counter { mark, of_last },
        text,
        charted: None,
    })
}

/// How many pieces a counter looks at.
fn of_last(noted: &Noted) -> Result<usize, Complaint> {
    let last = noted.second.as_int().ok();
    let legal = last.filter(|last| (1..=PIECES_MAX).contains(last));
    legal
        .and_then(|last| usize::try_from(last).ok())
        .ok_or_else(|| {
            let found = last.map_or_else(
                || describe(&noted.second).to_string(),
                |last| format!("the last {last} pieces"),
            );
            let name = &noted.name;
            Complaint::new(
                format!("counter '{name}' looks at {found}, wanted a whole number of pieces from 1 to {PIECES_MAX}"),
                format!("write .count(\"{name}\", below(…), 10)"),
            )
        })
}

fn chart(noted: &Noted, of: &Against<'_>, ahead: bool) -> Result<Made, Complaint> {
    let what = format!("chart '{}'", noted.name);
    let aims = of.aims;
    let parts = (&noted.first, &noted.second);
    let expected = expected(&what, of);
    let (points, counted): (Vec<Points>, Vec<Points>) = expected
        .as_ref()
        .map_or_else(|_| Vec::new(), |expected| expected.points(of.leave_out))
        .into_iter()
        .unzip();
    let left_out: &[Points] = if of.leave_out.is_empty() {
        &[]
    } else {
        &points
    };
    let resolved = chart::resolve(&noted.name, parts, aims.every, of.line, left_out)?;
    let Expected {
        centre,
        centre_text,
        sigma,
        steps,
        nominal,
    } = expected?;
    let mut text = format!(
        "chart {} centre {centre_text} sigma {}",
        resolved.text,
        sigma.normalize()
    );
    // Tolerance limits are asked about and decide nothing of what is kept.
    let outlook = ahead.then_some(Outlook {
        every: aims.every,
        lower: aims.lower,
        upper: aims.upper,
    });
    if outlook.is_some() {
        write!(text, " ahead {}", aims.every).expect("a string takes all");
    }
    let watch = Watch::Chart {
        chart: resolved.chart,
        limit: resolved.half_width,
        centre,
        sigma: steps,
        outlook,
    };
    let charted = Charting {
        resolved,
        points,
        counted,
        step: 1.0 / steps,
        nominal,
    };
    Ok(Made {
        watch,
        text,
        charted: Some(charted),
    })
}

/// Where values are while all is well.
struct Expected {
    centre: Centre,
    centre_text: String,
    sigma: Decimal,
    /// The same in steps of the scale.
    steps: f64,
    /// The nominal, where it serves as centre.
    nominal: Option<String>,
}

fn expected(what: &str, of: &Against<'_>) -> Result<Expected, Complaint> {
    let (characteristic, aims) = (of.characteristic, of.aims);
    let subject = of.gauged.subject.what();
    let sigma = aims.sigma.ok_or_else(|| {
        Complaint::new(
            format!("{what} needs a sigma, and {subject} has none in the plant description"),
            "add `sigma`, the standard deviation of one value of a process in order",
        )
    })?;
    let scale = &characteristic.scale;
    let mut served = None;
    let (centre, centre_text) = match (&aims.centre, aims.nominal) {
        (Some(Mean::One(mean)), _) => (
            Centre::One(in_steps(*mean, scale)?),
            mean.normalize().to_string(),
        ),
        (Some(Mean::Per(means)), _) => {
            let per = characteristic.per.clone().ok_or_else(|| {
                Complaint::new(
                    format!("{what}: {subject} has a centre by stratum and no `per`"),
                    "",
                )
            })?;
            let mut text = per.to_string();
            let mut by = BTreeMap::new();
            for (value, mean) in means {
                write!(text, " {value}={}", mean.normalize()).expect("a string takes all");
                by.insert(value.clone(), in_steps(*mean, scale)?);
            }
            (Centre::Per(per, by), text)
        }
        (None, Some(nominal)) => {
            served = Some(scale.text(nominal));
            (
                Centre::One(in_steps(scale.decimal(nominal), scale)?),
                scale.decimal(nominal).normalize().to_string(),
            )
        }
        (None, None) => {
            return Err(Complaint::new(
                format!(
                    "{what} needs a centre, and {subject} has neither `centre` nor `nominal` in the plant description"
                ),
                "add `centre`, the mean of a process in order",
            ));
        }
    };
    Ok(Expected {
        centre,
        centre_text,
        sigma,
        steps: in_steps(sigma, scale)?,
        nominal: served,
    })
}

impl Expected {
    /// What comes to a chart around each centre when those values are left out, and the same counted in steps.
    fn points(&self, leave_out: &[Mark]) -> Vec<(Points, Points)> {
        let mut centres: Vec<f64> = match &self.centre {
            Centre::One(centre) => vec![*centre],
            Centre::Per(_, by) => by.values().copied().collect(),
        };
        centres.sort_by(f64::total_cmp);
        centres.dedup();
        let around = |centre: &f64| {
            let sigmas = |steps: f64| (steps - centre) / self.steps;
            let left_out = leave_out.iter().flat_map(|mark| left_out(*mark));
            let points = left_out.fold(Points::all(), |points, (from, to)| {
                points.without(sigmas(from), sigmas(to))
            });
            // The step nearest to the centre, so that places near it keep their digits.
            let at = sigmas(centre.round());
            (points.clone(), points.counted(at, 1.0 / self.steps))
        };
        centres.iter().map(around).collect()
    }
}

/// From and to of the values a mark is true of, in steps; they end between two counts.
#[allow(
    clippy::cast_precision_loss,
    reason = "counts of a scale are far below 2^53"
)]
fn left_out(mark: Mark) -> Vec<(f64, f64)> {
    let (before, after) = (
        |count: i64| count as f64 - 0.5,
        |count: i64| count as f64 + 0.5,
    );
    let (least, most) = (f64::NEG_INFINITY, f64::INFINITY);
    match mark {
        Mark::Below(limit) => vec![(least, before(limit))],
        Mark::Above(limit) => vec![(after(limit), most)],
        Mark::Within(low, high) => vec![(before(low), after(high))],
        Mark::OffNominalBy { nominal, by } => {
            vec![(least, before(nominal - by)), (after(nominal + by), most)]
        }
    }
}

/// A value of a scale in steps of it, whole or not.
fn in_steps(value: Decimal, scale: &Scale) -> Result<f64, Complaint> {
    value
        .checked_div(scale.resolution())
        .map(real)
        .ok_or_else(|| Complaint::new(format!("{value} is too large to be counted"), ""))
}

fn mark_text(mark: Mark) -> String {
    match mark {
        Mark::Below(limit) => format!("below {limit}"),
        Mark::Above(limit) => format!("above {limit}"),
        Mark::Within(low, high) => format!("within {low} {high}"),
        Mark::OffNominalBy { nominal, by } => format!("off {nominal} by {by}"),
    }
}

/// Whose watch it is, and what it looks at.
pub(crate) struct Whose<'a> {
    pub(crate) rule: &'a RuleName,
    pub(crate) station: &'a Station,
    pub(crate) characteristic: &'a Characteristic,
    pub(crate) product: Option<&'a ProductName>,
    pub(crate) per: Option<&'a StratumName>,
}

/// The declaration of a watch. Its digest is of a text that says everything it depends on; another form of that
/// text would start every watch fresh.
pub(crate) fn declaration(
    whose: &Whose<'_>,
    name: String,
    leave_out: Vec<Mark>,
    (watch, watch_text): (Watch, &str),
) -> Declaration {
    let Whose {
        rule,
        station,
        characteristic,
        product,
        per,
    } = *whose;
    let scale = &characteristic.scale;
    let mut text = format!(
        "chargehand watch 1\n{rule}/{name}\n{} {} {} {}\nper {}\n",
        station.name,
        characteristic.name,
        scale.unit().code(),
        scale.resolution().normalize(),
        per.map_or("-", StratumName::as_str),
    );
    if let Some(product) = product {
        writeln!(text, "product {product}").expect("a string takes all");
    }
    // In whatever order, and however often, they are written.
    let marks: BTreeSet<String> = leave_out.iter().map(|mark| mark_text(*mark)).collect();
    for mark in marks {
        writeln!(text, "leave out {mark}").expect("a string takes all");
    }
    if let (Watch::Chart { .. }, Some(gauge)) = (&watch, &characteristic.gauge) {
        writeln!(text, "by {gauge}").expect("a string takes all");
    }
    text.push_str(watch_text);
    Declaration {
        rule: rule.clone(),
        name,
        digest: TextDigest::from(digest(&text)),
        station: station.name.clone(),
        characteristic: characteristic.name.clone(),
        product: product.cloned(),
        per: per.cloned(),
        wider: false,
        leave_out,
        watch,
    }
}
