//! What charts promise before they have taken a point: how often each errs while all is well, and how soon it sees a
//! mean that is off.
//!
//! Values are taken as independent and normal around the plant description's centre with its sigma; a process that is
//! otherwise makes every figure here another. What a chart leaves out is no point of it. Where strata have centres of their
//! own, and where a side is another than the other, the figure is that of the worse.
//!
//! Steps of what is measured that are finer than half a sigma change little and are not looked at; with coarser ones the
//! figures are those of counted values, and a remark says what that makes of the chart.
//!
//! Deliberately not here: the theory, and how it looks on paper.

use super::Finding;
use super::report::{digits, in_points};
use chargehand_core::Plant;
use chargehand_measure::{Points, RunLength, RunLengthError, USUAL_SHIFTS};
use chargehand_script::{Charted, points_a_day};
use serde::Serialize;
use std::collections::BTreeMap;

/// A week the line runs through.
const DAYS: f64 = 7.0;
/// Above so many sigmas a step of what is measured is seen in the figures.
const COARSE: f64 = 0.5;
/// A chart that takes more values to see the largest of the usual shifts sees nothing.
const BLIND: f64 = 1_000.0;
/// A smaller share that is left out is not spoken of.
const SEEN: f64 = 0.000_5;

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
    /// The product whose pieces it takes; none: one for all.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub product: Option<String>,
    /// The stratum it is kept apart by.
    pub per: Option<String>,
    /// What it shows, as a header writes it.
    pub statistic: String,
    /// What to write to keep this limit whatever is promised.
    pub freeze: String,
    /// The points of all strata between false alarms that were promised; none where the limit was written down.
    pub promised: Option<u64>,
    /// The days of running these points were promised as.
    pub days: Option<String>,
    /// Seconds from one piece to the next; none where the plant description has no takt.
    pub takt_s: Option<f64>,
    /// One piece in so many is measured.
    pub every: u32,
    /// The nominal, where it serves as centre because the plant description has none.
    pub nominal: Option<String>,
    /// A step of what is measured, in standard deviations of one value.
    pub step: f64,
    /// The share of values that is left out while all is well.
    pub left_out: f64,
    /// The points of all strata between false alarms, on average; none where that cannot be worked out or there are none.
    pub points_between_false_alarms: Option<f64>,
    /// The same in values that are measured, of which those left out are no points.
    pub values_between_false_alarms: Option<f64>,
    /// False alarms of all strata in a week of running at takt, with pieces of its product only; none where the plant description has no takt.
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
    /// The share of values that is left out then.
    pub left_out: f64,
    /// Points of the stratum, on average; none where it never does.
    pub points: Option<f64>,
    /// The same in values that are measured, of which those left out are no points.
    pub values: Option<f64>,
    /// Pieces of the stratum, of which one in `every` is measured.
    pub pieces: Option<f64>,
    /// Whether it takes longer on one side, or in one stratum, than in others.
    pub slowest: bool,
}

impl ChartReport {
    /// Whether so much is left out of it that points are not values.
    pub(super) fn leaves_out(&self) -> bool {
        let most = self.found.iter().map(|found| found.left_out);
        most.fold(self.left_out, f64::max) >= SEEN
    }
}

/// Run lengths of a chart at one shift.
#[derive(Clone, Copy, Debug)]
struct Length {
    /// In points; none where it never signals.
    points: Option<f64>,
    /// In values.
    values: Option<f64>,
    left_out: f64,
    /// Whether another side or stratum has another one.
    one_of: bool,
}

/// Run lengths of a chart: at rest, and at the usual shifts; and at rest if steps were not seen.
#[derive(Clone, Copy, Debug)]
struct Lengths {
    at_rest: Length,
    found: [Length; USUAL_SHIFTS.len()],
    uncounted: Option<Length>,
}

/// The charts of rulebooks; charts that are made alike are worked out once.
#[derive(Debug, Default)]
pub(super) struct Charts {
    known: BTreeMap<String, Result<Lengths, RunLengthError>>,
}

impl Charts {
    /// What there is to say of a chart, and what is doubtful about it.
    pub(super) fn report(
        &mut self,
        charted: &Charted,
        plant: &Plant,
        file: String,
    ) -> (ChartReport, Vec<Finding>) {
        let freeze = format!("control_limit({})", charted.limit.normalize());
        let (points, step) = (&charted.points, charted.step);
        let alike = format!("{} {freeze} {points:?} {step}", charted.statistic);
        let lengths = *self.known.entry(alike).or_insert_with(|| lengths(charted));
        let characteristic = plant
            .station(charted.station.as_str())
            .and_then(|station| station.characteristic(charted.characteristic.as_str()));
        let product = charted.product.as_ref();
        let aims = characteristic.and_then(|characteristic| characteristic.aims.of(product));
        let every = aims.map_or(1, |aims| aims.every);
        let a_day = points_a_day(every, &plant.line);
        let known = lengths.ok();
        let at_rest = known.map(|known| known.at_rest);
        let values = at_rest.and_then(|at_rest| at_rest.values);
        let found = |known: Lengths| {
            let found = USUAL_SHIFTS.iter().zip(known.found);
            found
                .map(|(sigmas, length)| FoundAfter {
                    sigmas: *sigmas,
                    left_out: length.left_out,
                    points: length.points,
                    values: length.values,
                    pieces: length.values.map(|values| values * f64::from(every)),
                    slowest: length.one_of,
                })
                .collect()
        };
        let report = ChartReport {
            rule: charted.rule.to_string(),
            name: charted.name.clone(),
            station: charted.station.to_string(),
            characteristic: charted.characteristic.to_string(),
            product: product.map(ToString::to_string),
            per: charted.per.as_ref().map(ToString::to_string),
            statistic: charted.statistic.clone(),
            freeze,
            promised: charted.promised,
            days: charted.days.map(|days| days.normalize().to_string()),
            takt_s: plant.line.takt.map(seconds),
            every,
            nominal: charted.nominal.clone(),
            step,
            left_out: at_rest.map_or(0.0, |at_rest| at_rest.left_out),
            points_between_false_alarms: at_rest.and_then(|at_rest| at_rest.points),
            values_between_false_alarms: values,
            false_alarms_a_week: values
                .zip(a_day)
                .map(|(values, a_day)| DAYS * a_day / values),
            found: known.map_or_else(Vec::new, found),
            unknown: lengths.err().map(|error| error.to_string()),
        };
        let doubts = [blind(&report), coarse(&report, charted, lengths)];
        let found = doubts.into_iter().flatten().map(|(what, remedy)| Finding {
            file: file.clone(),
            line: charted.line,
            column: charted.column,
            what: match product {
                None => format!("chart '{}' {what}", charted.name),
                Some(product) => format!("chart '{}' of {product} {what}", charted.name),
            },
            remedy,
        });
        let found = found.collect();
        (report, found)
    }
}

/// A chart that sees nothing of what charts are for.
fn blind(report: &ChartReport) -> Option<(String, String)> {
    let largest = report.found.last()?;
    let seen = match largest.values {
        Some(values) if values <= BLIND => return None,
        Some(values) => format!("after {} values, on average", in_points(values)),
        None => "never".to_owned(),
    };
    let sigmas = largest.sigmas;
    let remedy = if report.leaves_out() {
        "leave out less, or give it a narrower limit"
    } else if report.statistic.starts_with("cusum") {
        "give it a smaller reference value, such as cusum(0.5), or a narrower limit"
    } else {
        "give it a narrower limit: a usual one is 2.7 to 4"
    };
    Some((
        format!(
            "can practically never signal: it sees a mean that is off by {sigmas} sigma {seen}"
        ),
        remedy.to_owned(),
    ))
}

/// A chart whose values stand on few places.
fn coarse(
    report: &ChartReport,
    charted: &Charted,
    lengths: Result<Lengths, RunLengthError>,
) -> Option<(String, String)> {
    if charted.step <= COARSE {
        return None;
    }
    let often = |points: Option<f64>| {
        points.map_or_else(
            || "never".to_owned(),
            |points| format!("once in {} points", in_points(points)),
        )
    };
    let does = match lengths {
        Ok(lengths) => {
            let finer = lengths.uncounted.map_or_else(String::new, |finer| {
                format!(", where finer steps would make it {}", often(finer.points))
            });
            let stratum = if lengths.at_rest.one_of {
                " in one stratum"
            } else {
                ""
            };
            format!(
                "it signals falsely {}{stratum}{finer}",
                often(lengths.at_rest.points)
            )
        }
        Err(error) => format!("how often it signals falsely is not worked out: {error}"),
    };
    let (characteristic, station) = (&report.characteristic, &report.station);
    Some((
        format!(
            "counts {characteristic} at {station} in steps of {} sigma: {does}",
            digits(charted.step)
        ),
        "give the characteristic a `resolution` of half a sigma or less, or take the control_limit by what is said of it here"
            .to_owned(),
    ))
}

#[allow(
    clippy::cast_precision_loss,
    reason = "ten years are far below 2^53 microseconds"
)]
fn seconds(takt: chargehand_core::Span) -> f64 {
    takt.0 as f64 / 1e6
}

fn lengths(charted: &Charted) -> Result<Lengths, RunLengthError> {
    let counted = charted.step > COARSE;
    if !counted && charted.points.iter().all(|points| *points == Points::all()) {
        return plain(charted);
    }
    let of = if counted {
        &charted.counted
    } else {
        &charted.points
    };
    let least = |known: Length, next: Length| soonest(known, next, |a, b| a < b);
    let most = |known: Length, next: Length| soonest(known, next, |a, b| a > b);
    let at_rest = |of: &[Points]| worst(charted, of, &[0.0], least);
    let mut found = [at_rest(of)?; USUAL_SHIFTS.len()];
    for (found, shift) in found.iter_mut().zip(USUAL_SHIFTS) {
        *found = worst(charted, of, &[shift, -shift], most)?;
    }
    Ok(Lengths {
        at_rest: at_rest(of)?,
        found,
        uncounted: counted
            .then(|| at_rest(&charted.points))
            .and_then(Result::ok),
    })
}

/// Where every value is a point, and no step is seen.
fn plain(charted: &Charted) -> Result<Lengths, RunLengthError> {
    let [first, second, third, fourth] = USUAL_SHIFTS;
    let shifts = [0.0, first, second, third, fourth];
    let length = |found: &RunLength| Length::of(Ok(*found), 1.0);
    match charted.chart.run_lengths(shifts) {
        Ok([at_rest, found @ ..]) => Ok(Lengths {
            at_rest: length(&at_rest)?,
            found: [
                length(&found[0])?,
                length(&found[1])?,
                length(&found[2])?,
                length(&found[3])?,
            ],
            uncounted: None,
        }),
        // Not at every shift.
        Err(RunLengthError::Never) => {
            let one = |shift| Length::of(charted.chart.run_length(shift), 1.0);
            Ok(Lengths {
                at_rest: one(0.0)?,
                found: [one(first)?, one(second)?, one(third)?, one(fourth)?],
                uncounted: None,
            })
        }
        Err(error) => Err(error),
    }
}

impl Length {
    fn of(found: Result<RunLength, RunLengthError>, share: f64) -> Result<Self, RunLengthError> {
        let known = match found {
            Ok(found) => Some(found),
            Err(RunLengthError::Never) => None,
            Err(error) => return Err(error),
        };
        Ok(Self {
            points: known.map(|found| found.mean),
            values: known.map(|found| found.measured(share).mean),
            left_out: 1.0 - share,
            one_of: false,
        })
    }
}

/// The one of all these points and shifts that is to be told.
fn worst(
    charted: &Charted,
    of: &[Points],
    shifts: &[f64],
    told: impl Fn(Length, Length) -> Length,
) -> Result<Length, RunLengthError> {
    let mut worst: Option<Length> = None;
    for (place, points) in of.iter().enumerate() {
        if of[..place].contains(points) {
            continue;
        }
        for shift in shifts {
            let found = charted.chart.run_length_of(points, *shift);
            let next = Length::of(found, points.share(*shift))?;
            worst = Some(worst.map_or(next, |known| told(known, next)));
        }
    }
    worst.ok_or(RunLengthError::Never)
}

/// The one of two whose number of values comes first in that order; the same on paper are one.
fn soonest(known: Length, next: Length, first: impl Fn(f64, f64) -> bool) -> Length {
    let number = |length: Length| length.values.unwrap_or(f64::INFINITY);
    let (a, b) = (number(known), number(next));
    let one_of = known.one_of || next.one_of || digits(a) != digits(b);
    let told = if first(b, a) { next } else { known };
    Length { one_of, ..told }
}
