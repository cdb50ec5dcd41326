//! What a rule sees of a reading: read-only facts by name, with an error for every name that is none.
//!
//! What is not known (a stratum nobody told, no gauge) is a value of its own. It can be asked for and shown,
//! and is an error everywhere else, so that a missing fact never answers a question.
//!
//! Counters and charts are facts of the rule that declares them, by the names it gave them.
//!
//! Deliberately not here: keeping them. The line does.

use crate::declare::{Kind, Limit};
use crate::fault::{Complaint, suggest};
use crate::quantity::{Quantity, Subject};
use crate::words;
use chargehand_core::{
    Count, DeclaredAlarm, Drift, Facts, GaugeName, PieceName, Shown, StationName, StratumName,
};
use rhai::{Dynamic, Engine, EvalAltResult, INT, ImmutableString};
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::Arc;

/// A fact that is not known.
#[derive(Clone, Debug)]
pub(crate) struct Absent;

impl Absent {
    /// How it reads in a text.
    pub(crate) const TEXT: &'static str = "not known";
}

/// What the header declares and the plant description knows: equal for every reading of a rule.
#[derive(Debug)]
pub(crate) struct Declared {
    pub(crate) subject: Rc<Subject>,
    pub(crate) limits: BTreeMap<String, Limit>,
    /// Counters and charts, in order of the header.
    pub(crate) watches: Vec<(String, Kind)>,
    pub(crate) alarms: BTreeMap<String, Arc<DeclaredAlarm>>,
    /// What `r.stratum` is: the rule's own `per`, else the characteristic's.
    pub(crate) per: Option<StratumName>,
    /// The rule's own `per`.
    pub(crate) apart: Option<StratumName>,
    /// Every kind of stratum of the plant.
    pub(crate) strata: Vec<StratumName>,
}

impl Declared {
    /// The kind of the rule's counter or chart of that name.
    pub(crate) fn watch(&self, name: &str) -> Option<Kind> {
        let known = self.watches.iter().find(|(known, _)| known == name);
        known.map(|(_, kind)| *kind)
    }
}

/// The facts of one reading.
#[derive(Clone, Debug)]
pub(crate) struct Reading(Rc<Sheet>);

#[derive(Debug)]
struct Sheet {
    common: Rc<Common>,
    /// In the order of the declared watches.
    shown: Vec<Shown>,
    declared: Rc<Declared>,
}

/// What every rule sees alike of one reading.
#[derive(Debug)]
pub(crate) struct Common {
    value: i64,
    piece: PieceName,
    station: StationName,
    attempt: u32,
    late: bool,
    gauge: Option<GaugeName>,
    gauge_healthy: bool,
    strata: BTreeMap<StratumName, String>,
}

/// A counter of the rule.
#[derive(Clone, Debug)]
pub(crate) struct CounterFacts(Count);

/// A chart of the rule.
#[derive(Clone, Debug)]
pub(crate) struct ChartFacts(Drift, Rc<Subject>);

/// A band, as a limit declares it.
#[derive(Clone, Debug)]
pub(crate) struct Band(Quantity, Quantity);

/// `r.limit`
#[derive(Clone, Debug)]
pub(crate) struct Limits(Rc<Sheet>);

/// `r.gauge`
#[derive(Clone, Debug)]
pub(crate) struct GaugeFacts(Rc<Sheet>);

/// `r.strata`
#[derive(Clone, Debug)]
pub(crate) struct Strata(Rc<Sheet>);

impl Common {
    pub(crate) fn of(facts: &Facts<'_>) -> Rc<Self> {
        Rc::new(Self {
            value: facts.value,
            piece: facts.piece.clone(),
            station: facts.station.name.clone(),
            attempt: facts.attempt,
            late: facts.late,
            gauge: facts.gauge.cloned(),
            gauge_healthy: facts.gauge_healthy,
            strata: facts.strata.clone(),
        })
    }
}

impl Reading {
    /// `shown` are the rule's own watches, in the order it declares them.
    pub(crate) fn new(common: &Rc<Common>, shown: Vec<Shown>, declared: &Rc<Declared>) -> Self {
        Self(Rc::new(Sheet {
            common: Rc::clone(common),
            shown,
            declared: Rc::clone(declared),
        }))
    }
}

impl Sheet {
    fn value(&self) -> Quantity {
        Quantity::Counted {
            count: self.common.value,
            of: Rc::clone(&self.declared.subject),
            measured: true,
        }
    }

    /// The counter or chart of that name.
    fn watch(&self, name: &str) -> Option<Dynamic> {
        let declared = &self.declared.watches;
        let place = declared.iter().position(|(known, _)| known == name)?;
        Some(match self.shown.get(place)? {
            Shown::Counter(count) => Dynamic::from(CounterFacts(*count)),
            Shown::Chart(drift) => {
                Dynamic::from(ChartFacts(*drift, Rc::clone(&self.declared.subject)))
            }
        })
    }

    fn stratum(&self, name: &str) -> Dynamic {
        self.common
            .strata
            .get(name)
            .map_or_else(|| Dynamic::from(Absent), |value| value.as_str().into())
    }
}

type Answer<T> = Result<T, Box<EvalAltResult>>;

/// Teaches the engine the facts.
pub(crate) fn register(engine: &mut Engine) {
    engine
        .register_type_with_name::<Reading>("reading")
        .register_type_with_name::<Limits>("limits")
        .register_type_with_name::<GaugeFacts>("gauge")
        .register_type_with_name::<Strata>("strata")
        .register_type_with_name::<Quantity>("quantity")
        .register_type_with_name::<Absent>("not known");
    engine
        .register_get("value", |reading: &mut Reading| reading.0.value())
        .register_get("limit", |reading: &mut Reading| {
            Limits(Rc::clone(&reading.0))
        })
        .register_get("piece", |reading: &mut Reading| -> ImmutableString {
            reading.0.common.piece.as_str().into()
        })
        .register_get("station", |reading: &mut Reading| -> ImmutableString {
            reading.0.common.station.as_str().into()
        })
        .register_get("attempt", |reading: &mut Reading| {
            INT::from(reading.0.common.attempt)
        })
        .register_get("late", |reading: &mut Reading| reading.0.common.late)
        .register_get("gauge", |reading: &mut Reading| {
            GaugeFacts(Rc::clone(&reading.0))
        })
        .register_get("strata", |reading: &mut Reading| {
            Strata(Rc::clone(&reading.0))
        })
        .register_get("stratum", |reading: &mut Reading| -> Answer<Dynamic> {
            let per = reading.0.declared.per.as_ref();
            Ok(per
                .map(|name| reading.0.stratum(name.as_str()))
                .ok_or_else(|| no_stratum(&reading.0.declared))?)
        })
        .register_get("healthy", |gauge: &mut GaugeFacts| {
            gauge.0.common.gauge_healthy
        })
        .register_get("name", |gauge: &mut GaugeFacts| {
            gauge
                .0
                .common
                .gauge
                .as_ref()
                .map_or_else(|| Dynamic::from(Absent), |name| name.as_str().into())
        })
        .register_get("deviation", |value: &mut Quantity| -> Answer<Quantity> {
            Ok(value.deviation()?)
        })
        .register_get("off_nominal", |value: &mut Quantity| -> Answer<Quantity> {
            Ok(value.deviation()?.abs()?)
        });
    register_by_name(engine);
    register_watches(engine);
    engine.register_fn("inside", inside);
    engine
        .register_fn("known", |value: Dynamic| {
            !value.is_unit() && !value.is::<Absent>()
        })
        .register_fn("to_string", |quantity: &mut Quantity| quantity.to_string())
        .register_fn("to_string", |_: &mut Absent| Absent::TEXT)
        .register_fn("to_string", |(): ()| Absent::TEXT);
}

fn register_watches(engine: &mut Engine) {
    engine
        .register_type_with_name::<CounterFacts>("counter")
        .register_type_with_name::<ChartFacts>("chart")
        .register_type_with_name::<Band>("band")
        .register_get("total", |counter: &mut CounterFacts| {
            INT::from(counter.0.total)
        })
        .register_get("in_a_row", |counter: &mut CounterFacts| {
            INT::from(counter.0.in_a_row)
        })
        .register_get("pieces", |counter: &mut CounterFacts| {
            INT::from(counter.0.pieces)
        })
        .register_get("signal", |chart: &mut ChartFacts| chart.0.signal)
        .register_get("level", |chart: &mut ChartFacts| {
            let level = chart.0.level;
            level.map_or_else(
                || Dynamic::from(Absent),
                |level| Dynamic::from(Quantity::counted(level, &chart.1)),
            )
        })
        .register_get("points", |chart: &mut ChartFacts| {
            INT::try_from(chart.0.points).unwrap_or(INT::MAX)
        })
        .register_indexer_get(|_: &mut CounterFacts, name: &str| -> Answer<Dynamic> {
            Err(no_counter_fact(name).into())
        })
        .register_indexer_get(|_: &mut ChartFacts, name: &str| -> Answer<Dynamic> {
            Err(no_chart_fact(name).into())
        });
}

/// Whether a quantity is within a declared band, its ends included.
fn inside(value: Dynamic, band: Dynamic) -> Answer<bool> {
    let (Some(value), Some(band)) = (value.read_lock::<Quantity>(), band.read_lock::<Band>())
    else {
        return Err(Complaint::new(
            format!(
                "`inside` of {} and {}",
                crate::operators::describe(&value),
                crate::operators::describe(&band)
            ),
            "write r.value.inside(r.limit.name), the limit declared with within(low, high)",
        )
        .into());
    };
    Ok(value.compare(&band.0)?.is_ge() && value.compare(&band.1)?.is_le())
}

/// Gives what a rule declares getters of its own. By their names they would be found all the same, after a search
/// for a getter that costs as much as the rest of a short rule.
pub(crate) fn register_declared(engine: &mut Engine, declared: &Declared) {
    for (name, _) in &declared.watches {
        let asked = name.clone();
        engine.register_get(name, move |reading: &mut Reading| watch(reading, &asked));
    }
    for name in declared.limits.keys() {
        let asked = name.clone();
        engine.register_get(name, move |limits: &mut Limits| limit(limits, &asked));
    }
}

fn watch(reading: &Reading, name: &str) -> Answer<Dynamic> {
    let sheet = &reading.0;
    Ok(sheet
        .watch(name)
        .ok_or_else(|| no_fact(name, &sheet.declared))?)
}

fn limit(limits: &Limits, name: &str) -> Answer<Dynamic> {
    match limits.0.declared.limits.get(name) {
        Some(Limit::One(quantity)) => Ok(Dynamic::from(quantity.clone())),
        Some(Limit::Band(low, high)) => Ok(Dynamic::from(Band(low.clone(), high.clone()))),
        None => Err(no_limit(name, &limits.0.declared).into()),
    }
}

/// Names that come from the header and the plant, and every name that is none.
fn register_by_name(engine: &mut Engine) {
    engine
        .register_indexer_get(|limits: &mut Limits, name: &str| limit(limits, name))
        .register_indexer_get(|strata: &mut Strata, name: &str| -> Answer<Dynamic> {
            if !strata
                .0
                .declared
                .strata
                .iter()
                .any(|known| known.as_str() == name)
            {
                return Err(no_kind(name, &strata.0.declared).into());
            }
            Ok(strata.0.stratum(name))
        })
        .register_indexer_get(|reading: &mut Reading, name: &str| watch(reading, name))
        .register_indexer_get(|_: &mut GaugeFacts, name: &str| -> Answer<Dynamic> {
            Err(no_gauge_fact(name).into())
        });
}

pub(crate) fn no_fact(name: &str, declared: &Declared) -> Complaint {
    let watches = declared.watches.iter().map(|(name, _)| name.as_str());
    Complaint::new(
        format!("`{name}` is no fact of a reading"),
        suggest(name, words::FACTS.iter().copied().chain(watches)),
    )
}

pub(crate) fn no_counter_fact(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` is no fact of a counter"),
        suggest(name, words::OF_COUNTER.iter().copied()),
    )
}

pub(crate) fn no_chart_fact(name: &str) -> Complaint {
    if words::ABSENT_OF_CHART.contains(&name) {
        return Complaint::new(format!("`{name}` of a chart is not in this version"), "");
    }
    Complaint::new(
        format!("`{name}` is no fact of a chart"),
        suggest(name, words::OF_CHART.iter().copied()),
    )
}

pub(crate) fn no_value_fact(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` is no fact of the value"),
        suggest(name, words::OF_VALUE.iter().copied()),
    )
}

pub(crate) fn no_gauge_fact(name: &str) -> Complaint {
    Complaint::new(
        format!("`{name}` is no fact of the gauge"),
        suggest(name, words::OF_GAUGE.iter().copied()),
    )
}

pub(crate) fn no_limit(name: &str, declared: &Declared) -> Complaint {
    let remedy = match suggest(name, declared.limits.keys().map(String::as_str)) {
        none if none.is_empty() => "declare it in the header with .limit(…)".to_owned(),
        near => near,
    };
    Complaint::new(format!("no limit '{name}' is declared"), remedy)
}

pub(crate) fn no_kind(name: &str, declared: &Declared) -> Complaint {
    Complaint::new(
        format!("stratum '{name}' is not in the plant description"),
        suggest(name, declared.strata.iter().map(StratumName::as_str)),
    )
}

pub(crate) fn no_stratum(declared: &Declared) -> Complaint {
    Complaint::new(
        format!(
            "{} is not kept per stratum, so there is no r.stratum",
            declared.subject.what
        ),
        "add .per(\"…\") to the header, or ask r.strata",
    )
}
