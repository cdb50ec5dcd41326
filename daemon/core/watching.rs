//! Feeding counters and charts, before any rule is asked, and starting them again.

use crate::ahead::{Ahead, Forecast, Outlook};
use crate::alarm::{Occurrence, Owner, Priority};
use crate::codes;
use crate::hold::{Hold, HoldOf, Origin};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{GaugeName, PieceId, ProductName, RuleName, StratumName, TextDigest};
use crate::outcome::{Shows, Watched};
use crate::piece::Piece;
use crate::plant::{Characteristic, Station};
use crate::speaker::Duty;
use crate::watch::{
    Centre, Chart, Declaration, Drift, Kept, LeftOut, Real, STRATA_KEPT, Shown, Standing, Watch,
};
use crate::words::Words;
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::format;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec::Vec;
use chargehand_measure as measure;

/// So many values in a row that stay out of a chart because they come late are told to somebody.
const SKIPPED_SAID: u32 = 10;

/// A value on its way into the watches that look at it.
pub(crate) struct Point<'a> {
    pub piece: PieceId,
    pub station: &'a Station,
    pub characteristic: &'a Characteristic,
    pub count: i64,
    pub gauge: Option<&'a GaugeName>,
    pub gauge_healthy: bool,
    pub lap: u32,
    pub attempt: u32,
    pub late: bool,
}

/// The watches that look at a value, after it.
#[derive(Default)]
pub(crate) struct Views {
    /// For the rules: by place among the declarations.
    pub shown: Vec<(usize, Shown)>,
    /// For the record.
    pub watched: Vec<Watched>,
}

/// What changes where other texts come into force.
#[derive(Default)]
pub(crate) struct Carried {
    pub kept: Vec<String>,
    pub fresh: Vec<String>,
    pub dropped: Vec<String>,
}

impl<J: Judge> Line<J> {
    /// Feeds a value to every watch that looks at it.
    pub(crate) fn feed(&mut self, point: &Point<'_>) -> Views {
        let mut views = Views::default();
        let mut untold: Vec<(RuleName, StratumName)> = Vec::new();
        let mut blind = Vec::new();
        let piece = &self.state.pieces[point.piece];
        let seq = self.state.seq;
        for (index, declared) in self.judge.declarations().iter().enumerate() {
            if declared.station != point.station.name
                || declared.characteristic != point.characteristic.name
                || !declared.takes(piece.product.as_ref())
            {
                continue;
            }
            let kept = entry(&mut self.state.watches, declared, seq);
            let of = stratum(declared, piece);
            let before = of.and_then(|_| untold_before(kept, piece));
            let standing = standing(kept, of.unwrap_or_default(), declared, seq);
            if let Some(marked) = before {
                bring_over(standing, declared, piece, marked, seq);
            }
            if let (Some(outlook), Standing::Chart(chart)) = (outlook(declared), &mut *standing) {
                chart.pass(piece.turn, outlook.every);
            }
            let first =
                piece
                    .evidence
                    .first(&declared.station, &declared.characteristic, point.lap);
            let taken = takes(declared, piece, point, first)
                .and_then(|()| take(standing, declared, piece, point, first, seq))
                // It can come late only the first time.
                .map_err(|why| match why {
                    LeftOut::Late if first.is_some() => LeftOut::Again,
                    why => why,
                });
            match (taken, &mut *standing) {
                (Err(LeftOut::ByRule), Standing::Counter(counter))
                    if first.is_none_or(|first| point.attempt < first) =>
                {
                    counter.forget(piece.turn);
                }
                (Err(LeftOut::Late), Standing::Chart(chart)) => {
                    chart.skipped = chart.skipped.saturating_add(1);
                    if chart.skipped >= SKIPPED_SAID {
                        let watch = (declared.rule.clone(), declared.name.clone());
                        blind.push((watch, chart.skipped));
                    }
                }
                _ => {}
            }
            let since = standing.since();
            let shown = show(standing, declared, piece);
            if let Some(per) = not_told(declared, piece, taken) {
                let lacks = (declared.rule.clone(), per.clone());
                if !untold.contains(&lacks) {
                    untold.push(lacks);
                }
            }
            let (count, drift) = match &shown {
                Shown::Counter(count) => (Some(*count), None),
                Shown::Chart(drift) => (None, Some(drift)),
            };
            views.watched.push(Watched {
                rule: declared.rule.clone(),
                name: declared.name.clone(),
                product: declared.product.clone(),
                of: of.map(ToString::to_string),
                left_out: taken.err().map(LeftOut::words),
                count,
                level: drift
                    .and_then(|drift| drift.level)
                    .map(|level| point.characteristic.scale.text(level)),
                signal: drift.is_some_and(|drift| drift.signal),
                pattern: drift.and_then(|drift| drift.pattern),
                shows: shows(declared),
                since,
            });
            views.shown.push((index, shown));
        }
        for (rule, per) in untold {
            self.raise_untold(&rule, &per, point);
        }
        for ((rule, name), skipped) in blind {
            self.raise_blind(&rule, &name, skipped, point);
        }
        views
    }

    fn raise_blind(&mut self, rule: &RuleName, watch: &str, skipped: u32, point: &Point<'_>) {
        let (ends, name) = (self.quiet(), self.name(point.piece).clone());
        self.raise(Occurrence {
            id: format!("late-{rule}"),
            priority: Priority::Low,
            cause: Duty::Evidence.into(),
            text: codes::values_late(point.station.name.as_str(), skipped, watch),
            consequence: codes::chart_sees_nothing(),
            response: codes::find_who_is_late(),
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends,
        });
    }

    fn raise_untold(&mut self, rule: &RuleName, per: &StratumName, point: &Point<'_>) {
        let (ends, name) = (self.quiet(), self.name(point.piece).clone());
        self.raise(Occurrence {
            id: format!("stratum-{rule}"),
            priority: Priority::Low,
            cause: Duty::Evidence.into(),
            text: codes::stratum_untold(point.station.name.as_str(), per.as_str(), name.as_str()),
            consequence: codes::counted_with_the_unknown(),
            response: codes::let_a_station_tell(),
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends,
        });
    }

    /// Brings what is kept in line with what is declared now.
    pub(crate) fn carry_over(&mut self) -> Carried {
        let mut carried = Carried::default();
        let seq = self.state.seq;
        let watches = &mut self.state.watches;
        let declarations = self.judge.declarations();
        let label = |rule: &RuleName, name: &str, product: &Option<ProductName>| match product {
            None => format!("{rule}/{name}"),
            Some(product) => format!("{rule}/{name} of {product}"),
        };
        let names: BTreeSet<String> = declarations
            .iter()
            .map(|declared| label(&declared.rule, &declared.name, &declared.product))
            .collect();
        watches.retain(|digest, kept| {
            let stays = declarations
                .iter()
                .any(|declared| declared.digest == *digest);
            let label = label(&kept.rule, &kept.name, &kept.product);
            // Declared otherwise is not gone: it starts fresh, and that is said.
            if !stays && !names.contains(&label) {
                carried.dropped.push(label);
            }
            stays
        });
        for declared in declarations {
            let label = label(&declared.rule, &declared.name, &declared.product);
            if watches.contains_key(&declared.digest) {
                carried.kept.push(label);
            } else {
                entry(watches, declared, seq);
                carried.fresh.push(label);
            }
        }
        carried.dropped.sort_unstable();
        carried
    }

    /// What a rule counts and charts of a stratum starts again when a hold that it opened for it is released: the last
    /// one of the station or the stratum where the rule can hold those, else any of a piece.
    pub(crate) fn released(&mut self, hold: &Hold<PieceId>) {
        let declares = |declared: &Declaration| hold.rule.is_rule(&declared.rule);
        if !self.judge.declarations().iter().any(declares) {
            return;
        }
        let same = |other: &Hold<PieceId>| other.rule == hold.rule && other.origin == hold.origin;
        let of = match &hold.of {
            HoldOf::Piece(id) => Some(self.state.pieces.get(*id)),
            HoldOf::Station(_) | HoldOf::Stratum(..) => None,
        };
        if of.is_none() && self.state.holds.of_many().any(same) {
            return;
        }
        let plant = Arc::clone(&self.plant);
        let gated = |declared: &Declaration| {
            let station = plant.station(declared.station.as_str());
            station.is_some_and(|station| plant.gate_for(station).is_some())
        };
        let restarted = self.judge.declarations().iter().filter_map(|declared| {
            if !hold.rule.is_rule(&declared.rule) {
                return None;
            }
            let value = match of {
                // A record that a wider hold left on a piece has another origin; a wider hold that found no gate and
                // became one of the piece has that of a wider one.
                Some(piece) => {
                    let product = piece.and_then(|piece| piece.product.as_ref());
                    let value = piece
                        .and_then(|piece| stratum(declared, piece))
                        .unwrap_or_default();
                    let of_piece =
                        Origin::values(&declared.station, &declared.characteristic, None);
                    let own = hold.origin == of_piece && !declared.wider;
                    let in_its_place = hold.origin == origin(declared, value) && !gated(declared);
                    let restarts = (own || in_its_place) && declared.takes(product);
                    restarts.then(|| value.to_string())
                }
                None => self.state.watches.get(&declared.digest).and_then(|kept| {
                    let mut values = kept.strata.keys();
                    values
                        .find(|value| hold.origin == origin(declared, value))
                        .cloned()
                }),
            };
            value.map(|value| (declared.digest.clone(), value))
        });
        let restarted: Vec<_> = restarted.collect();
        self.restart(&restarted, &codes::was_released(hold.id.as_str()));
    }

    /// What a rule counts and charts starts again when an advisory that it gave is closed.
    pub(crate) fn closed(&mut self, rule: &RuleName, of: &Origin, advisory: &str) {
        let declared = self.judge.declarations().iter();
        let own = declared.filter(|declared| declared.rule == *rule);
        let restarted: Vec<_> = own
            .flat_map(|declared| {
                let kept = self.state.watches.get(&declared.digest);
                let values = kept.into_iter().flat_map(|kept| kept.strata.keys());
                values
                    .filter(|value| *of == origin(declared, value))
                    .map(|value| (declared.digest.clone(), value.clone()))
                    .collect::<Vec<_>>()
            })
            .collect();
        self.restart(&restarted, &codes::was_closed(advisory));
    }

    fn restart(&mut self, restarted: &[(TextDigest, String)], why: &Words) {
        let seq = self.state.seq;
        let mut notes = Vec::new();
        for (digest, value) in restarted {
            let Some(kept) = self.state.watches.get_mut(digest) else {
                continue;
            };
            if let Some(standing) = kept.strata.get_mut(value) {
                standing.restart(seq);
                let label = label(&kept.rule, &kept.name, value, kept.product.as_ref());
                notes.push(codes::starts_again(label, why));
            }
        }
        for note in notes {
            self.note(note, None);
        }
    }

    /// A gauge passed a check: what charts took of it may be believed.
    pub(crate) fn believe_charts(&mut self, gauge: &GaugeName) {
        self.charts_of(gauge, |chart| {
            chart.believe();
            false
        });
    }

    /// A gauge failed a check: charts go back to where they were at the last good one.
    pub(crate) fn take_back_charts(&mut self, gauge: &GaugeName) {
        let gone_back = self.charts_of(gauge, Chart::go_back);
        if !gone_back.is_empty() {
            self.note(codes::charts_went_back(gauge.as_str(), gone_back), None);
        }
    }

    /// Does the same to each chart of what the gauge measures. Returns those that say they changed.
    fn charts_of(&mut self, gauge: &GaugeName, each: impl Fn(&mut Chart) -> bool) -> Vec<Words> {
        let plant = Arc::clone(&self.plant);
        let measured_by = |declared: &&Declaration| {
            plant
                .station(declared.station.as_str())
                .and_then(|station| station.characteristic(declared.characteristic.as_str()))
                .is_some_and(|characteristic| characteristic.gauge.as_ref() == Some(gauge))
        };
        let mut changed = Vec::new();
        for declared in self.judge.declarations().iter().filter(measured_by) {
            let Some(kept) = self.state.watches.get_mut(&declared.digest) else {
                continue;
            };
            for (value, standing) in &mut kept.strata {
                if let Standing::Chart(chart) = standing
                    && each(chart)
                {
                    let product = declared.product.as_ref();
                    changed.push(label(&declared.rule, &declared.name, value, product));
                }
            }
        }
        changed
    }

    /// Where the chart of a rule stands that has just one.
    pub(crate) fn chart_of(&self, rule: &RuleName, piece: &Piece) -> Option<ChartNow> {
        let mut charts = self.judge.declarations().iter().filter(|declared| {
            declared.rule == *rule
                && declared.takes(piece.product.as_ref())
                && matches!(declared.watch, Watch::Chart { .. })
        });
        let declared = charts.next().filter(|_| charts.next().is_none())?;
        let value = stratum(declared, piece).unwrap_or_default();
        let kept = self.state.watches.get(&declared.digest)?;
        let Watch::Chart {
            chart: kind,
            limit,
            centre,
            sigma,
            ..
        } = &declared.watch
        else {
            return None;
        };
        let Standing::Chart(chart) = kept.strata.get(value)? else {
            return None;
        };
        let centre = shown_from(kind, centre_of(centre, piece)?);
        let level = chart.now.level.0;
        let limit = if level < 0.0 { -limit } else { *limit };
        Some(ChartNow {
            level: steps(centre, *sigma, level),
            limit: steps(centre, *sigma, limit),
            forecast: ahead(chart, declared, piece).and_then(|ahead| ahead.forecast()),
        })
    }
}

/// Where a chart stands, and its limit on that side: steps of the scale.
pub(crate) struct ChartNow {
    pub level: i64,
    pub limit: i64,
    pub forecast: Option<Forecast>,
}

/// What holds and advisories of a rule come from that concern a product and a stratum, or all pieces where that is empty.
fn origin(declared: &Declaration, value: &str) -> Origin {
    let per = declared.per.as_ref().filter(|_| !value.is_empty());
    let stratum = per.map(|per| (per.clone(), value.to_string()));
    Origin::values(&declared.station, &declared.characteristic, stratum)
        .of_product(declared.product.clone())
}

/// What people call a counter or chart of one stratum.
fn label(rule: &RuleName, name: &str, value: &str, product: Option<&ProductName>) -> Words {
    let watch = if value.is_empty() {
        codes::watch(rule.as_str(), name)
    } else {
        codes::watch_of(rule.as_str(), name, value)
    };
    match product {
        None => watch,
        Some(product) => codes::watch_for(watch, product.as_str()),
    }
}

fn stratum<'p>(declared: &Declaration, piece: &'p Piece) -> Option<&'p str> {
    piece.strata.get(declared.per.as_ref()?).map(String::as_str)
}

/// The stratum that the watch goes by, where it would have taken the value and nobody told that of the piece.
fn not_told<'d>(
    declared: &'d Declaration,
    piece: &Piece,
    taken: Result<(), LeftOut>,
) -> Option<&'d StratumName> {
    let centre = match &declared.watch {
        Watch::Chart {
            centre: Centre::Per(per, _),
            ..
        } => Some(per),
        Watch::Chart { .. } | Watch::Counter { .. } => None,
    };
    [declared.per.as_ref(), centre]
        .into_iter()
        .flatten()
        .find(|per| !piece.strata.contains_key(*per))
        .filter(|_| matches!(taken, Ok(()) | Err(LeftOut::NoCentre)))
}

fn entry<'k>(
    watches: &'k mut BTreeMap<TextDigest, Kept>,
    declared: &Declaration,
    seq: u64,
) -> &'k mut Kept {
    if !watches.contains_key(&declared.digest) {
        let kept = Kept {
            rule: declared.rule.clone(),
            name: declared.name.clone(),
            product: declared.product.clone(),
            since: seq,
            strata: BTreeMap::new(),
        };
        watches.insert(declared.digest.clone(), kept);
    }
    watches
        .get_mut(&declared.digest)
        .expect("inserted where it was missing")
}

/// The stratum's own counter or chart, fresh where there is none yet.
fn standing<'k>(
    kept: &'k mut Kept,
    value: &str,
    declared: &Declaration,
    seq: u64,
) -> &'k mut Standing {
    if !kept.strata.contains_key(value) {
        if kept.strata.len() >= STRATA_KEPT {
            let oldest = kept
                .strata
                .iter()
                .min_by_key(|(_, standing)| standing.fed());
            if let Some(oldest) = oldest.map(|(value, _)| value.clone()) {
                kept.strata.remove(&oldest);
            }
        }
        kept.strata
            .insert(value.to_string(), declared.watch.fresh(seq));
    }
    kept.strata
        .get_mut(value)
        .expect("inserted where it was missing")
}

/// A piece whose stratum is known now does not count any more among those of which it is not. Returns whether
/// it was marked there, where it was counted.
fn untold_before(kept: &mut Kept, piece: &Piece) -> Option<bool> {
    match kept.strata.get_mut("")? {
        Standing::Counter(counter) => counter.forget(piece.turn),
        Standing::Chart(_) => None,
    }
}

/// It counts in its stratum instead, as what it was measured first: measured again it would not come in.
fn bring_over(
    standing: &mut Standing,
    declared: &Declaration,
    piece: &Piece,
    marked: bool,
    seq: u64,
) {
    if let (Standing::Counter(counter), Watch::Counter { of_last, .. }) =
        (standing, &declared.watch)
        && counter.take(piece.turn, marked, false, *of_last).is_ok()
    {
        counter.fed = seq;
    }
}

/// Whether such a value is taken at all. `first` is the first measurement that could be believed before this one.
fn takes(
    declared: &Declaration,
    piece: &Piece,
    point: &Point<'_>,
    first: Option<u32>,
) -> Result<(), LeftOut> {
    let chart = matches!(declared.watch, Watch::Chart { .. });
    let own = point.characteristic.gauge.as_ref();
    if !point.gauge_healthy {
        Err(LeftOut::Doubt)
    } else if point.lap < piece.at.lap() {
        // Its turn is another by now.
        Err(LeftOut::Old)
    } else if first.is_some_and(|first| point.attempt > first) {
        Err(LeftOut::Again)
    } else if declared
        .leave_out
        .iter()
        .any(|mark| mark.marks(point.count))
    {
        Err(LeftOut::ByRule)
    } else if chart && own.is_some() && point.gauge != own {
        Err(LeftOut::OtherGauge)
    } else if chart && point.lap > 1 {
        Err(LeftOut::Reworked)
    } else if chart && point.late {
        Err(LeftOut::Late)
    } else {
        Ok(())
    }
}

fn take(
    standing: &mut Standing,
    declared: &Declaration,
    piece: &Piece,
    point: &Point<'_>,
    first: Option<u32>,
    seq: u64,
) -> Result<(), LeftOut> {
    match (standing, &declared.watch) {
        (Standing::Counter(counter), Watch::Counter { mark, of_last }) => {
            let instead = first.is_some_and(|first| point.attempt < first);
            counter.take(piece.turn, mark.marks(point.count), instead, *of_last)?;
            counter.fed = seq;
        }
        (
            Standing::Chart(chart),
            Watch::Chart {
                chart: kind,
                centre,
                sigma,
                outlook,
                ..
            },
        ) => {
            let centre = centre_of(centre, piece);
            let value = centre.and_then(|centre| sigmas(point.count, centre, *sigma));
            chart.take(kind, piece.turn, value.ok_or(LeftOut::NoCentre)?)?;
            if outlook.is_some() {
                chart.keep(point.count);
            }
            chart.fed = seq;
        }
        (Standing::Counter(_), Watch::Chart { .. })
        | (Standing::Chart(_), Watch::Counter { .. }) => {
            unreachable!("a digest stands for one declaration")
        }
    }
    Ok(())
}

fn show(standing: &Standing, declared: &Declaration, piece: &Piece) -> Shown {
    match (standing, &declared.watch) {
        (
            Standing::Chart(chart),
            Watch::Chart {
                chart: kind,
                centre,
                sigma,
                ..
            },
        ) => {
            let signal = chart.now.signals(kind);
            let centre = centre_of(centre, piece);
            Shown::Chart(Drift {
                level: centre
                    .map(|centre| steps(shown_from(kind, centre), *sigma, chart.now.level.0)),
                signal: signal.is_some(),
                points: chart.now.points,
                side: signal.map(|signal| signal.side),
                pattern: signal.and_then(|signal| signal.rule),
                ahead: ahead(chart, declared, piece),
            })
        }
        (Standing::Counter(counter), _) => Shown::Counter(counter.count(piece.turn)),
        (Standing::Chart(_), Watch::Counter { .. }) => {
            unreachable!("a digest stands for one declaration")
        }
    }
}

/// What the declaration looks ahead for.
fn outlook(declared: &Declaration) -> Option<Outlook> {
    match &declared.watch {
        Watch::Chart { outlook, .. } => *outlook,
        Watch::Counter { .. } => None,
    }
}

fn ahead(chart: &Chart, declared: &Declaration, piece: &Piece) -> Option<Ahead> {
    let Watch::Chart {
        centre,
        sigma,
        outlook,
        ..
    } = &declared.watch
    else {
        return None;
    };
    // Of pieces with several centres no one mean goes to a limit.
    let several = matches!(centre, Centre::Per(per, _) if declared.per.as_ref() != Some(per));
    Some(Ahead {
        trail: chart.now.trail.clone().unwrap_or_default(),
        passed: chart.passed,
        outlook: (*outlook)?,
        points: chart.now.points,
        centre: centre_of(centre, piece).filter(|_| !several).map(Real),
        sigma: Real(*sigma),
    })
}

/// What the chart's level is of, where that is not the mean.
fn shows(declared: &Declaration) -> Option<Shows> {
    match &declared.watch {
        Watch::Chart { chart, .. } => match chart {
            measure::Chart::Ewma(_) => None,
            measure::Chart::Cusum(_) => Some(Shows::Sum),
            measure::Chart::Shewhart(_) => Some(Shows::Value),
        },
        Watch::Counter { .. } => None,
    }
}

/// Where the chart's level is counted from: a sum is one of distances and begins at nothing.
fn shown_from(chart: &measure::Chart, centre: f64) -> f64 {
    match chart {
        measure::Chart::Ewma(_) | measure::Chart::Shewhart(_) => centre,
        measure::Chart::Cusum(_) => 0.0,
    }
}

fn centre_of(centre: &Centre, piece: &Piece) -> Option<f64> {
    match centre {
        Centre::One(centre) => Some(*centre),
        Centre::Per(per, by) => by.get(piece.strata.get(per)?).copied(),
    }
}

/// A count, in sigmas from a centre that stays. Counts are far below 2^53, so nothing is lost; centre and sigma come
/// from decimals, so there is a distance wherever there is a centre.
#[allow(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
fn sigmas(count: i64, centre: f64, sigma: f64) -> Option<f64> {
    let expected = measure::Expected::new(centre, sigma).ok()?;
    expected.sigmas(count as f64, 0)
}

/// A level in sigmas from the centre, as the nearest count.
#[allow(
    clippy::cast_possible_truncation,
    reason = "a cast saturates, and a level is a mean of counts"
)]
fn steps(centre: f64, sigma: f64, level: f64) -> i64 {
    libm::rint(centre + sigma * level) as i64
}

#[cfg(test)]
mod tests;
