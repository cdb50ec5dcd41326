//! What charts promise before they have taken a point: how often each errs while all is well, and how soon it sees a
//! mean that is off.
//!
//! Points are taken as independent and normal around the plant description's centre with its sigma; a process that is
//! otherwise makes every figure here another.
//!
//! Deliberately not here: the theory, and how it looks on paper.

use chargehand_core::Plant;
use chargehand_measure::{RunLengthError, USUAL_SHIFTS};
use chargehand_script::{Charted, points_a_day};
use serde::Serialize;
use std::collections::BTreeMap;

/// A week the line runs through.
const DAYS: f64 = 7.0;

/// A chart of a rulebook.
#[derive(Clone, Debug, Serialize)]
pub struct ChartReport {
    /// The rule that declares it.
    pub rule: String,
    /// Its name there.
    pub name: String,
    /// Where is measured what it follows.
    pub station: String,
    /// What it follows.
    pub characteristic: String,
    /// The stratum it is kept apart by.
    pub per: Option<String>,
    /// What it shows, as a header writes it.
    pub statistic: String,
    /// What to write to keep this limit whatever is promised.
    pub freeze: String,
    /// The points of all strata between false alarms that were promised; none where the limit was written down.
    pub promised: Option<u64>,
    /// One piece in so many is measured.
    pub every: u32,
    /// The points of all strata between false alarms, on average; none where that cannot be worked out.
    pub points_between_false_alarms: Option<f64>,
    /// False alarms of all strata in a week of running at takt; none where the plant description has no takt.
    pub false_alarms_a_week: Option<f64>,
    /// How soon it sees a mean that is off.
    pub found: Vec<FoundAfter>,
    /// Why there are no figures.
    pub unknown: Option<String>,
}

/// How soon a chart sees a mean that is off from its first point on.
#[derive(Clone, Copy, Debug, Serialize)]
pub struct FoundAfter {
    /// How far off, in standard deviations of one value.
    pub sigmas: f64,
    /// Points of the stratum, on average.
    pub points: f64,
    /// Pieces of the stratum, of which one in `every` is measured.
    pub pieces: f64,
}

/// Run lengths of one chart: at rest, and at the usual shifts.
type Lengths = Result<(f64, [f64; USUAL_SHIFTS.len()]), RunLengthError>;

/// The charts of rulebooks; charts that are made alike are worked out once.
#[derive(Debug, Default)]
pub(super) struct Charts {
    known: BTreeMap<String, Lengths>,
}

impl Charts {
    pub(super) fn report(&mut self, charted: &Charted, plant: &Plant) -> ChartReport {
        let freeze = format!("control_limit({})", charted.limit.normalize());
        let alike = format!("{} {freeze}", charted.statistic);
        let lengths = self.known.entry(alike).or_insert_with(|| lengths(charted));
        let characteristic = plant
            .station(charted.station.as_str())
            .and_then(|station| station.characteristic(charted.characteristic.as_str()));
        let every = characteristic.map_or(1, |characteristic| characteristic.every);
        let a_day =
            characteristic.and_then(|characteristic| points_a_day(characteristic, &plant.line));
        let known = lengths.as_ref().ok();
        let found = |(_, found): &(f64, [f64; USUAL_SHIFTS.len()])| {
            let found = USUAL_SHIFTS.iter().zip(found);
            found
                .map(|(sigmas, points)| FoundAfter {
                    sigmas: *sigmas,
                    points: *points,
                    pieces: points * f64::from(every),
                })
                .collect()
        };
        ChartReport {
            rule: charted.rule.to_string(),
            name: charted.name.clone(),
            station: charted.station.to_string(),
            characteristic: charted.characteristic.to_string(),
            per: charted.per.as_ref().map(ToString::to_string),
            statistic: charted.statistic.clone(),
            freeze,
            promised: charted.promised,
            every,
            points_between_false_alarms: known.map(|(at_rest, _)| *at_rest),
            false_alarms_a_week: known
                .zip(a_day)
                .map(|((at_rest, _), a_day)| DAYS * a_day / at_rest),
            found: known.map_or_else(Vec::new, found),
            unknown: lengths.as_ref().err().map(ToString::to_string),
        }
    }
}

fn lengths(charted: &Charted) -> Lengths {
    let [first, second, third, fourth] = USUAL_SHIFTS;
    let [at_rest, found @ ..] = charted
        .chart
        .run_lengths([0.0, first, second, third, fourth])?;
    Ok((at_rest.mean, found.map(|found| found.mean)))
}
