//! What a rule sees of a reading: read-only facts by name, with an error for every name that is none.
//!
//! What is not known (a stratum nobody told, no gauge) is a value of its own. It can be asked for and shown,
//! and is an error everywhere else, so that a missing fact never answers a question.
//!
//! Counters and charts are facts of the rule that declares them, by the names it gave them.
//!
//! Deliberately not here: keeping them. The line does.

use crate::declared::{Declared, Limit};
use crate::fault::{Answer, Complaint};
use crate::quantity::Quantity;
use crate::words;
use chargehand_core::{
    Count, Drift, Facts, Forecast, GaugeName, Left, PieceName, ProductName, Shown, StationName,
    StratumName, codes,
};
use chargehand_measure::Side;
use rhai::{Dynamic, Engine, INT, ImmutableString};
use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

/// A fact that is not known.
#[derive(Clone, Debug)]
pub(crate) struct Absent;

impl Absent {
    /// How it reads in a text.
    pub(crate) const TEXT: &'static str = "not known";
}

/// The facts of one reading.
#[derive(Clone, Debug)]
pub(crate) struct ReadingFacts(Rc<Sheet>);

#[derive(Debug)]
struct Sheet {
    common: Rc<Common>,
    /// In the order of the declared watches.
    shown: Vec<Shown>,
    declared: Rc<Declared>,
    /// Those that were asked for, by place of the chart.
    forecasts: RefCell<Vec<(usize, Option<Forecast>)>>,
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
    product: Option<ProductName>,
    strata: BTreeMap<StratumName, String>,
}

/// A counter of the rule.
#[derive(Clone, Debug)]
pub(crate) struct CounterFacts(Count);

/// A chart of the rule, by its place among the rule's watches.
#[derive(Clone, Debug)]
pub(crate) struct ChartFacts(Rc<Sheet>, usize);

/// How many pieces are left until the mean is at a limit: a whole number that knows its interval.
#[derive(Clone, Debug)]
pub(crate) struct LeftFacts(Left);

impl LeftFacts {
    pub(crate) fn value(&self) -> INT {
        whole(self.0.value)
    }
}

impl ChartFacts {
    fn drift(&self) -> Option<&Drift> {
        match self.0.shown.get(self.1)? {
            Shown::Chart(drift) => Some(drift),
            Shown::Counter(_) => None,
        }
    }

    /// A fact of it, where it is known.
    fn fact(&self, fact: impl FnOnce(&Drift) -> Option<Dynamic>) -> Dynamic {
        self.drift()
            .and_then(fact)
            .unwrap_or_else(|| Dynamic::from(Absent))
    }

    /// Where its mean goes, worked out when it is first asked for.
    fn forecast(&self) -> Answer<Option<Forecast>> {
        let Some(ahead) = self.drift().and_then(|drift| drift.ahead.as_ref()) else {
            return Err(Complaint::new(
                codes::look_ahead_elsewhere(),
                codes::mend_ask_in_reading(),
            )
            .into());
        };
        let mut known = self.0.forecasts.borrow_mut();
        let place = self.1;
        if let Some((_, forecast)) = known.iter().find(|(known, _)| *known == place) {
            return Ok(*forecast);
        }
        let forecast = ahead.forecast();
        known.push((place, forecast));
        Ok(forecast)
    }

    fn rate(&self) -> Answer<Dynamic> {
        let subject = &self.0.declared.subject;
        let rate = self.forecast()?;
        let rate = rate.and_then(|forecast| forecast.rate_in(&subject.scale));
        Ok(rate.map_or_else(
            || Dynamic::from(Absent),
            |rate| Dynamic::from(Quantity::rate(rate, subject)),
        ))
    }

    fn left(&self) -> Answer<Dynamic> {
        let left = self.forecast()?.and_then(|forecast| forecast.left);
        Ok(left.map_or_else(
            || Dynamic::from(Absent),
            |left| Dynamic::from(LeftFacts(left)),
        ))
    }
}

fn whole(count: u64) -> INT {
    INT::try_from(count).unwrap_or(INT::MAX)
}

/// A band, as a limit declares it.
#[derive(Clone, Debug)]
pub(crate) struct Band(Quantity, Quantity);

impl Band {
    /// Whether a quantity is within it, its ends included.
    pub(crate) fn holds(&self, value: &Quantity) -> Result<bool, Complaint> {
        Ok(value.compare(&self.0)?.is_ge() && value.compare(&self.1)?.is_le())
    }
}

/// `r.limit`
#[derive(Clone, Debug)]
pub(crate) struct LimitFacts(Rc<Sheet>);

/// `r.gauge`
#[derive(Clone, Debug)]
pub(crate) struct GaugeFacts(Rc<Sheet>);

/// `r.strata`
#[derive(Clone, Debug)]
pub(crate) struct StrataFacts(Rc<Sheet>);

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
            product: facts.product.cloned(),
            strata: facts.strata.clone(),
        })
    }
}

impl ReadingFacts {
    /// `shown` are the rule's own watches, in the order it declares them.
    pub(crate) fn new(common: &Rc<Common>, shown: Vec<Shown>, declared: &Rc<Declared>) -> Self {
        Self(Rc::new(Sheet {
            common: Rc::clone(common),
            shown,
            declared: Rc::clone(declared),
            forecasts: RefCell::default(),
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

    fn stratum(&self, name: &str) -> Dynamic {
        self.common
            .strata
            .get(name)
            .map_or_else(|| Dynamic::from(Absent), |value| value.as_str().into())
    }
}

/// Teaches the engine the facts.
pub(crate) fn register(engine: &mut Engine) {
    engine
        .register_type_with_name::<ReadingFacts>("reading")
        .register_type_with_name::<LimitFacts>("limits")
        .register_type_with_name::<GaugeFacts>("gauge")
        .register_type_with_name::<StrataFacts>("strata")
        .register_type_with_name::<Quantity>("quantity")
        .register_type_with_name::<Absent>("not known");
    engine
        .register_get("value", |reading: &mut ReadingFacts| reading.0.value())
        .register_get("limit", |reading: &mut ReadingFacts| {
            LimitFacts(Rc::clone(&reading.0))
        })
        .register_get("piece", |reading: &mut ReadingFacts| -> ImmutableString {
            reading.0.common.piece.as_str().into()
        })
        .register_get("station", |reading: &mut ReadingFacts| -> ImmutableString {
            reading.0.common.station.as_str().into()
        })
        .register_get("attempt", |reading: &mut ReadingFacts| {
            INT::from(reading.0.common.attempt)
        })
        .register_get("late", |reading: &mut ReadingFacts| reading.0.common.late)
        .register_get("gauge", |reading: &mut ReadingFacts| {
            GaugeFacts(Rc::clone(&reading.0))
        })
        .register_get("product", |reading: &mut ReadingFacts| -> Answer<Dynamic> {
            if reading.0.declared.products.is_empty() {
                return Err(no_product().into());
            }
            let product = reading.0.common.product.as_ref();
            Ok(product.map_or_else(|| Dynamic::from(Absent), |product| product.as_str().into()))
        })
        .register_get("strata", |reading: &mut ReadingFacts| {
            StrataFacts(Rc::clone(&reading.0))
        })
        .register_get("stratum", |reading: &mut ReadingFacts| -> Answer<Dynamic> {
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
}

fn register_watches(engine: &mut Engine) {
    engine
        .register_type_with_name::<CounterFacts>("counter")
        .register_type_with_name::<ChartFacts>("chart")
        .register_type_with_name::<LeftFacts>("left")
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
        .register_get("signal", |chart: &mut ChartFacts| {
            chart.drift().is_some_and(|drift| drift.signal)
        })
        .register_get("level", |chart: &mut ChartFacts| {
            let subject = Rc::clone(&chart.0.declared.subject);
            chart.fact(|drift| Some(Dynamic::from(Quantity::counted(drift.level?, &subject))))
        })
        .register_get("points", |chart: &mut ChartFacts| {
            chart.drift().map_or(0, |drift| whole(drift.points))
        })
        .register_get("side", |chart: &mut ChartFacts| {
            chart.fact(|drift| {
                Some(match drift.side? {
                    Side::Above => "above".into(),
                    Side::Below => "below".into(),
                    Side::Both => "both".into(),
                })
            })
        })
        .register_get("pattern", |chart: &mut ChartFacts| {
            chart.fact(|drift| Some(drift.pattern?.name().into()))
        })
        .register_get("rate", |chart: &mut ChartFacts| chart.rate())
        .register_get("left", |chart: &mut ChartFacts| chart.left())
        .register_get("low", |_: &mut Absent| absent_left("low"))
        .register_get("high", |_: &mut Absent| absent_left("high"))
        .register_get("low", |left: &mut LeftFacts| whole(left.0.low))
        .register_get("high", |left: &mut LeftFacts| whole(left.0.high))
        .register_indexer_get(|_: &mut CounterFacts, name: &str| -> Answer<Dynamic> {
            Err(no_counter_fact(name).into())
        })
        .register_indexer_get(|_: &mut ChartFacts, name: &str| -> Answer<Dynamic> {
            Err(no_chart_fact(name).into())
        });
}

fn absent_left(name: &str) -> Answer<INT> {
    Err(Complaint::new(codes::asked_of_unknown(name), codes::mend_ask_known()).into())
}

/// Gives what a rule declares getters of its own. By their names they would be found all the same, after a search
/// for a getter that costs as much as the rest of a short rule.
pub(crate) fn register_declared(engine: &mut Engine, declared: &Declared) {
    for (name, _) in &declared.watches {
        let asked = name.clone();
        engine.register_get(name, move |reading: &mut ReadingFacts| {
            watch(reading, &asked)
        });
    }
    for name in declared.limits.keys() {
        let asked = name.clone();
        engine.register_get(name, move |limits: &mut LimitFacts| limit(limits, &asked));
    }
}

/// The counter or chart of that name.
fn watch(reading: &ReadingFacts, name: &str) -> Answer<Dynamic> {
    let sheet = &reading.0;
    let mut declared = sheet.declared.watches.iter();
    let place = declared.position(|(known, _)| known == name);
    let shown = place.and_then(|place| Some((place, sheet.shown.get(place)?)));
    match shown {
        Some((_, Shown::Counter(count))) => Ok(Dynamic::from(CounterFacts(*count))),
        Some((place, Shown::Chart(_))) => Ok(Dynamic::from(ChartFacts(Rc::clone(sheet), place))),
        None => Err(no_fact(name, &sheet.declared).into()),
    }
}

fn limit(limits: &LimitFacts, name: &str) -> Answer<Dynamic> {
    match limits.0.declared.limits.get(name) {
        Some(Limit::One(quantity)) => Ok(Dynamic::from(quantity.clone())),
        Some(Limit::Band(low, high)) => Ok(Dynamic::from(Band(low.clone(), high.clone()))),
        None => Err(no_limit(name, &limits.0.declared).into()),
    }
}

/// Names that come from the header and the plant, and every name that is none.
fn register_by_name(engine: &mut Engine) {
    engine
        .register_indexer_get(|limits: &mut LimitFacts, name: &str| limit(limits, name))
        .register_indexer_get(|strata: &mut StrataFacts, name: &str| -> Answer<Dynamic> {
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
        .register_indexer_get(|reading: &mut ReadingFacts, name: &str| watch(reading, name))
        .register_indexer_get(|_: &mut GaugeFacts, name: &str| -> Answer<Dynamic> {
            Err(no_gauge_fact(name).into())
        });
}

pub(crate) fn no_fact(name: &str, declared: &Declared) -> Complaint {
    let watches = declared.watches.iter().map(|(name, _)| name.as_str());
    let facts = words::FACTS.iter().copied();
    let facts = facts.filter(|fact| *fact != "product" || !declared.products.is_empty());
    Complaint::unknown(codes::no_fact_of_reading(name), name, facts.chain(watches))
}

pub(crate) fn no_counter_fact(name: &str) -> Complaint {
    Complaint::unknown(
        codes::no_fact_of_counter(name),
        name,
        words::OF_COUNTER.iter().copied(),
    )
}

pub(crate) fn no_chart_fact(name: &str) -> Complaint {
    Complaint::unknown(
        codes::no_fact_of_chart(name),
        name,
        words::OF_CHART.iter().copied(),
    )
}

pub(crate) fn no_left_fact(name: &str) -> Complaint {
    Complaint::unknown(
        codes::no_fact_of_left(name),
        name,
        words::OF_LEFT.iter().copied(),
    )
}

pub(crate) fn no_value_fact(name: &str) -> Complaint {
    Complaint::unknown(
        codes::no_fact_of_value(name),
        name,
        words::OF_VALUE.iter().copied(),
    )
}

pub(crate) fn no_gauge_fact(name: &str) -> Complaint {
    Complaint::unknown(
        codes::no_fact_of_gauge(name),
        name,
        words::OF_GAUGE.iter().copied(),
    )
}

pub(crate) fn no_limit(name: &str, declared: &Declared) -> Complaint {
    let known = declared.limits.keys().map(String::as_str);
    let mut complaint = Complaint::unknown(codes::limit_undeclared(name), name, known);
    complaint
        .remedy
        .get_or_insert_with(|| Box::new(codes::mend_declare_limit()));
    complaint
}

pub(crate) fn no_kind(name: &str, declared: &Declared) -> Complaint {
    Complaint::unknown(
        codes::stratum_not_in_plant(name),
        name,
        declared.strata.iter().map(StratumName::as_str),
    )
}

pub(crate) fn no_product() -> Complaint {
    Complaint::new(codes::no_product(), codes::mend_declare_product())
}

pub(crate) fn no_stratum(declared: &Declared) -> Complaint {
    Complaint::new(
        codes::not_kept_by_stratum(declared.subject.words()),
        codes::mend_per(),
    )
}
