//! Feeding counters and charts, before any rule is asked, and starting them again.

use crate::alarm::{Occurrence, Priority};
use crate::hold::{Hold, HoldOf};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{GaugeName, PieceName, RuleName, StratumName};
use crate::outcome::Watched;
use crate::piece::Piece;
use crate::plant::{Characteristic, Station};
use crate::watch::{
    Centre, Chart, Declaration, Drift, Kept, LeftOut, STRATA_KEPT, Shown, Standing, Watch,
};
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::format;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec::Vec;
use chargehand_measure::Ewma;

/// A value on its way into the watches that look at it.
pub(crate) struct Point<'a> {
    pub name: &'a PieceName,
    pub station: &'a Station,
    pub characteristic: &'a Characteristic,
    pub count: i64,
    pub gauge_healthy: bool,
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
        let piece = &self.state.pieces[point.name];
        let seq = self.state.seq;
        for (index, declared) in self.judge.declarations().iter().enumerate() {
            if declared.station != point.station.name
                || declared.characteristic != point.characteristic.name
            {
                continue;
            }
            let kept = entry(&mut self.state.watches, declared, seq);
            let of = stratum(declared, piece);
            let standing = standing(kept, of.unwrap_or_default(), declared);
            let taken = takes(declared, point)
                .and_then(|()| take(standing, declared, piece, point.count, seq));
            let shown = show(standing, declared, piece);
            if let Some(per) = not_told(declared, piece, taken) {
                let lacks = (declared.rule.clone(), per.clone());
                if !untold.contains(&lacks) {
                    untold.push(lacks);
                }
            }
            let (count, drift) = match shown {
                Shown::Counter(count) => (Some(count), None),
                Shown::Chart(drift) => (None, Some(drift)),
            };
            views.watched.push(Watched {
                rule: declared.rule.clone(),
                name: declared.name.clone(),
                of: of.map(ToString::to_string),
                left_out: taken.err().map(|why| why.text().to_string()),
                count,
                level: drift
                    .and_then(|drift| drift.level)
                    .map(|level| point.characteristic.scale.text(level)),
                signal: drift.is_some_and(|drift| drift.signal),
            });
            views.shown.push((index, shown));
        }
        for (rule, per) in untold {
            self.raise_untold(&rule, &per, point);
        }
        views
    }

    fn raise_untold(&mut self, rule: &RuleName, per: &StratumName, point: &Point<'_>) {
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("stratum-{rule}"),
            priority: Priority::Low,
            cause: "engine:evidence",
            text: format!("{}: nobody told the {per} of {}", point.station.name, point.name),
            consequence: "the rule counts the piece with others it knows no more of, and charts it only where one centre serves all",
            response: "let a station tell it, once for each piece, in `strata`",
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(point.name),
            owner: "automation",
            ends,
        });
    }

    /// Brings what is kept in line with what is declared now.
    pub(crate) fn carry_over(&mut self) -> Carried {
        let mut carried = Carried::default();
        let seq = self.state.seq;
        let watches = &mut self.state.watches;
        let declarations = self.judge.declarations();
        let label = |rule: &RuleName, name: &str| format!("{rule}/{name}");
        let names: BTreeSet<String> = declarations
            .iter()
            .map(|declared| label(&declared.rule, &declared.name))
            .collect();
        watches.retain(|digest, kept| {
            let stays = declarations
                .iter()
                .any(|declared| declared.digest == *digest);
            let label = label(&kept.rule, &kept.name);
            // Declared otherwise is not gone: it starts fresh, and that is said.
            if !stays && !names.contains(&label) {
                carried.dropped.push(label);
            }
            stays
        });
        for declared in declarations {
            let label = label(&declared.rule, &declared.name);
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

    /// The counters of a rule start again when a hold that it opened is released.
    pub(crate) fn restart_counters(&mut self, hold: &Hold) {
        let of = match &hold.of {
            HoldOf::Piece(name) => Some(self.state.pieces.get(name)),
            HoldOf::Station(_) | HoldOf::Stratum(..) => None,
        };
        let mut notes = Vec::new();
        for declared in self.judge.declarations() {
            if declared.rule != hold.rule {
                continue;
            }
            let Some(kept) = self.state.watches.get_mut(&declared.digest) else {
                continue;
            };
            for (value, standing) in &mut kept.strata {
                let Standing::Counter(counter) = standing else {
                    continue;
                };
                let ours = match of {
                    // A record that a wider hold left on a piece has another origin; a wider hold that found no
                    // gate and became one of the piece has not.
                    Some(piece) => {
                        (hold.origin == source(declared) || hold.origin == origin(declared, value))
                            && piece.is_some_and(|piece| {
                                stratum(declared, piece).unwrap_or_default() == value
                            })
                    }
                    None => hold.origin == origin(declared, value),
                };
                if ours {
                    counter.restart();
                    notes.push(format!(
                        "{}/{} starts again: {} was released",
                        declared.rule, declared.name, hold.id
                    ));
                }
            }
        }
        for note in notes {
            self.note(note, None);
        }
    }

    /// The charts of a rule start again when an advisory that it gave is closed.
    pub(crate) fn restart_charts(&mut self, rule: &RuleName, of: &str, closed: &str) {
        let mut notes = Vec::new();
        for declared in self.judge.declarations() {
            let kept = self.state.watches.get_mut(&declared.digest);
            let strata = kept.filter(|_| declared.rule == *rule);
            for (value, standing) in strata.into_iter().flat_map(|kept| &mut kept.strata) {
                if let Standing::Chart(chart) = standing
                    && of == origin(declared, value)
                {
                    chart.restart();
                    notes.push(format!(
                        "{rule}/{} starts again: {closed} was closed",
                        declared.name
                    ));
                }
            }
        }
        for note in notes {
            self.note(note, None);
        }
    }

    /// A gauge passed a check: what charts took of it may be believed.
    pub(crate) fn believe_charts(&mut self, gauge: &GaugeName) {
        self.charts_of(gauge, Chart::believe);
    }

    /// A gauge failed a check: charts go back to where they were at the last good one.
    pub(crate) fn take_back_charts(&mut self, gauge: &GaugeName) {
        self.charts_of(gauge, Chart::go_back);
    }

    fn charts_of(&mut self, gauge: &GaugeName, each: impl Fn(&mut Chart)) {
        let plant = Arc::clone(&self.plant);
        let measured_by = |declared: &&Declaration| {
            plant
                .station(declared.station.as_str())
                .and_then(|station| station.characteristic(declared.characteristic.as_str()))
                .is_some_and(|characteristic| characteristic.gauge.as_ref() == Some(gauge))
        };
        for declared in self.judge.declarations().iter().filter(measured_by) {
            let Some(kept) = self.state.watches.get_mut(&declared.digest) else {
                continue;
            };
            for standing in kept.strata.values_mut() {
                if let Standing::Chart(chart) = standing {
                    each(chart);
                }
            }
        }
    }

    /// Where the chart of a rule stands that has just one, and its limit on that side: steps of the scale.
    pub(crate) fn chart_of(&self, rule: &RuleName, piece: &Piece) -> Option<(i64, i64)> {
        let mut charts = self.judge.declarations().iter().filter(|declared| {
            declared.rule == *rule && matches!(declared.watch, Watch::Chart { .. })
        });
        let declared = charts.next().filter(|_| charts.next().is_none())?;
        let value = stratum(declared, piece).unwrap_or_default();
        let kept = self.state.watches.get(&declared.digest)?;
        let (
            Standing::Chart(chart),
            Watch::Chart {
                ewma,
                centre,
                sigma,
            },
        ) = (kept.strata.get(value)?, &declared.watch)
        else {
            return None;
        };
        let centre = centre_of(centre, piece)?;
        let level = chart.now.level.0;
        let limit = if level < 0.0 {
            -ewma.half_width()
        } else {
            ewma.half_width()
        };
        Some((steps(centre, *sigma, level), steps(centre, *sigma, limit)))
    }
}

/// What holds and advisories of a rule come from, without their stratum.
pub(crate) fn source(declared: &Declaration) -> String {
    format!("{}/{}", declared.station, declared.characteristic)
}

/// What a rule's wider hold, its advisory and its alarm come from: the same source and stratum is the same one.
pub(crate) fn with_stratum(source: &str, stratum: Option<(&str, &str)>) -> String {
    match stratum {
        None => source.to_string(),
        Some((per, value)) => format!("{source} {per}={value}"),
    }
}

fn origin(declared: &Declaration, value: &str) -> String {
    let stratum = declared
        .per
        .as_ref()
        .map(|per| (per.as_str(), value))
        .filter(|_| !value.is_empty());
    with_stratum(&source(declared), stratum)
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
    watches: &'k mut BTreeMap<crate::names::TextDigest, Kept>,
    declared: &Declaration,
    seq: u64,
) -> &'k mut Kept {
    if !watches.contains_key(&declared.digest) {
        let kept = Kept {
            rule: declared.rule.clone(),
            name: declared.name.clone(),
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
fn standing<'k>(kept: &'k mut Kept, value: &str, declared: &Declaration) -> &'k mut Standing {
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
            .insert(value.to_string(), declared.watch.fresh());
    }
    kept.strata
        .get_mut(value)
        .expect("inserted where it was missing")
}

/// Whether such a value is taken at all.
fn takes(declared: &Declaration, point: &Point<'_>) -> Result<(), LeftOut> {
    let chart = matches!(declared.watch, Watch::Chart { .. });
    if point.attempt > 1 {
        Err(LeftOut::Again)
    } else if !point.gauge_healthy {
        Err(LeftOut::Doubt)
    } else if declared
        .leave_out
        .iter()
        .any(|mark| mark.marks(point.count))
    {
        Err(LeftOut::ByRule)
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
    count: i64,
    seq: u64,
) -> Result<(), LeftOut> {
    match (standing, &declared.watch) {
        (Standing::Counter(counter), Watch::Counter { mark, of_last }) => {
            counter.take(piece.born, mark.marks(count), *of_last)?;
            counter.fed = seq;
        }
        (
            Standing::Chart(chart),
            Watch::Chart {
                ewma,
                centre,
                sigma,
            },
        ) => {
            let centre = centre_of(centre, piece).ok_or(LeftOut::NoCentre)?;
            chart.take(ewma, piece.born, sigmas(count, centre, *sigma))?;
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
                ewma,
                centre,
                sigma,
            },
        ) => chart_shown(chart, ewma, centre_of(centre, piece), *sigma),
        (Standing::Counter(counter), _) => Shown::Counter(counter.count(piece.born)),
        (Standing::Chart(_), Watch::Counter { .. }) => {
            unreachable!("a digest stands for one declaration")
        }
    }
}

fn chart_shown(chart: &Chart, ewma: &Ewma, centre: Option<f64>, sigma: f64) -> Shown {
    let level = chart.now.level.0;
    Shown::Chart(Drift {
        level: centre.map(|centre| steps(centre, sigma, level)),
        signal: ewma.signals(level),
        points: chart.now.points,
    })
}

fn centre_of(centre: &Centre, piece: &Piece) -> Option<f64> {
    match centre {
        Centre::One(centre) => Some(*centre),
        Centre::Per(per, by) => by.get(piece.strata.get(per)?).copied(),
    }
}

/// A count, in sigmas from the centre. Counts are far below 2^53, so nothing is lost.
#[allow(clippy::cast_precision_loss, reason = "counts are far below 2^53")]
fn sigmas(count: i64, centre: f64, sigma: f64) -> f64 {
    (count as f64 - centre) / sigma
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
