//! The script of the day: what happens to every piece, and when each station speaks.
//!
//! Drawn once from a seed, before anything runs, so that a day can be played again and judged against its own
//! truth: the score card asks the script what a piece really is. Whatever is a reading is kept in whole steps of what
//! its gauge shows, a tenth of a gram or a hundredth of a micrometre. Deliberately not here: anything that depends on
//! answers. The script says what the plant does to its pieces; what it does with them is the stations' business.
//!
//! The faults of the day, by the names the score card gives them:
//!
//! * **F2** the parting line of mould M3 wears: every shot of it is 0.035 g heavier than the one before, all day;
//! * **F3** three pours are 70 g short, and the reading of one of them is sent twice;
//! * **F4** no fresh grit reaches the blaster from piece 300 on, and the surface gets smoother by 0.0011 um a piece
//!   until the charge is made up before piece 1040.
//!
//! A control day ([`Script::control`]) has the same chance and none of these.

use std::collections::{BTreeMap, BTreeSet};

use crate::DemoError;
use crate::chance::{Purpose, normal};
use crate::clock::{SECOND_US, of_day};

/// The most pieces a day has: two shifts less the planned stops of the casting cell.
pub const PIECES_MAX: u32 = 2_250;

/// Time from one piece to the next.
const TAKT_US: i64 = 24 * SECOND_US;
/// Where the stations stand, in pieces after casting, and where the gate behind the roughness gauge does.
const SCALE_PLACE: i64 = 4;
const ROUGHNESS_PLACE: i64 = 44;
const COATING_DOOR_PLACE: i64 = 50;
const THICKNESS_PLACE: i64 = 136;
const CONCAVITY_PLACE: i64 = 146;
/// Every how many pieces roughness and coating thickness are measured.
const ROUGHNESS_EVERY: u32 = 9;
const THICKNESS_EVERY: u32 = 5;

/// What a casting should weigh, in grams.
const NOMINAL_G: f64 = 1_450.0;
/// How far off the castings of moulds M1 to M4 are, in grams.
const MOULD_OFFSET_G: [f64; 4] = [-1.0, 1.5, 0.0, 0.5];
/// Standard deviation of a casting's mass, in grams.
const POUR_SIGMA_G: f64 = 5.0;
/// Standard deviation of the scale on a piece, in grams.
const SCALE_SIGMA_G: f64 = 0.7;
/// Pieces cast from one heat.
const HEAT_PIECES: u32 = 225;
/// What the check weight weighs, in grams, and the standard deviation of the scale on it.
const CHECK_WEIGHT_G: f64 = 1_000.0;
const CHECK_SIGMA_G: f64 = 0.3;
/// When the check weight is put on the scale.
const CHECKS_US: [i64; 8] = [
    of_day(6, 0, 0),
    of_day(8, 0, 0),
    of_day(10, 30, 0),
    of_day(12, 0, 0),
    of_day(14, 0, 0),
    of_day(16, 0, 0),
    of_day(18, 30, 0),
    of_day(20, 0, 0),
];
/// The planned stops of the casting cell: the first piece after each, when it begins and when it ends.
const STOPS: [(u32, i64, i64); 2] = [
    (601, of_day(10, 0, 0), of_day(10, 30, 0)),
    (1_726, of_day(18, 0, 0), of_day(18, 30, 0)),
];

/// Mean roughness Ra while grit is made up all the time, in um, and its standard deviations: of the pieces, of the
/// stylus.
const RA_UM: f64 = 3.25;
const SURFACE_SIGMA_UM: f64 = 0.11;
const STYLUS_SIGMA_UM: f64 = 0.05;
/// Rz is about so many times Ra; the factor scatters by so much of itself.
const RZ_FACTOR: f64 = 6.3;
const PROFILE_SIGMA: f64 = 0.04;
/// Coating thickness in um, and its standard deviations: of the pieces, of the mean of five spots.
const COAT_UM: f64 = 36.0;
const COAT_SIGMA_UM: f64 = 1.2;
const PROBE_SIGMA_UM: f64 = 0.5;
/// Spots measured on a piece.
const SPOTS: usize = 5;
/// Concavity in mm, what the wear of the belt takes from it a piece, and its standard deviation, gauge included.
const CONCAVITY_MM: f64 = 0.45;
const BELT_WEAR_MM: f64 = 0.000_03;
const BASE_SIGMA_MM: f64 = 0.035;

/// Tolerance limits in steps of what each gauge shows; a value at a limit is inside.
const MASS_DG: std::ops::RangeInclusive<i64> = 14_250..=14_750;
/// What a casting should weigh, and how far off goes back to the melt.
const NOMINAL_DG: i64 = 14_500;
const GROSS_DG: i64 = 400;
const RA_CENTI: std::ops::RangeInclusive<i64> = 250..=400;
const RZ_DECI: std::ops::RangeInclusive<i64> = 120..=300;
const COAT_DECI: std::ops::RangeInclusive<i64> = 300..=420;
const CONCAVITY_MICRO: std::ops::RangeInclusive<i64> = 250..=650;
/// What a piece must not be smoother than, in um.
pub(crate) const RA_LOWER_UM: f64 = 2.5;

/// F2: the mould that wears, counted from 0, and what that adds to each shot.
const WORN_MOULD: u32 = 2;
const WEAR_G: f64 = 0.035;
/// F3: the short pours, how much metal they lack in grams, and the one whose reading is sent twice.
const SHORT_POURS: [u32; 3] = [262, 263, 265];
const SHORT_POUR_G: f64 = 70.0;
const SENT_TWICE: u32 = 263;
/// F4: the first piece blasted without fresh grit, what each is smoother than the one before, the first piece after
/// the make-up, how rough that is, and over how many pieces the surface finds back to its mean.
pub(crate) const STARVED_FROM: u32 = 300;
const SMOOTHER_UM: f64 = 0.001_1;
pub(crate) const MADE_UP_BEFORE: u32 = 1_040;
const MADE_UP_UM: f64 = 3.30;
const EASING_PIECES: u32 = 100;
/// When the charge is made up, and when the shift lead frees the roughness gate.
const MAKE_UP_US: i64 = of_day(13, 35, 12);
pub(crate) const RELEASE_US: i64 = of_day(13, 55, 0);
/// After the last piece the line stands empty for a little, so that its last events can be confirmed.
const CLOSING_US: i64 = 10 * SECOND_US;

/// What the roughness gauge shows of a piece.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Roughness {
    /// Ra, in hundredths of a micrometre.
    pub ra_centi: i64,
    /// Rz, in tenths of a micrometre.
    pub rz_deci: i64,
}

/// The truth about one piece.
#[derive(Debug, Clone, PartialEq)]
pub struct Casting {
    /// Its number in the day, from 1, in order of casting.
    pub n: u32,
    /// Its name on the bus, `P` and six digits.
    pub piece: String,
    /// The mould that cast it, `M1` to `M4`.
    pub mould: String,
    /// The heat it was poured from, `H1` to `H10`.
    pub heat: String,
    /// The charge of grit that blasts it.
    pub media: &'static str,
    /// The booth that coats it, `A` or `B`.
    pub booth: &'static str,
    /// When it was cast, microseconds since 1970, UTC.
    pub cast_us: i64,
    /// When it is on the scale, microseconds since 1970, UTC.
    pub weighed_us: i64,
    /// When the roughness gauge has it, if it stops there; microseconds since 1970, UTC.
    pub roughness_us: i64,
    /// When it is at the door of the coating line, the gate behind the roughness gauge.
    pub coating_door_us: i64,
    /// What it weighs, in grams.
    pub mass_g: f64,
    /// What the scale shows, in tenths of a gram.
    pub shown_dg: i64,
    /// Its roughness Ra, in micrometres.
    pub ra_um: f64,
    /// What the roughness gauge shows, where the piece is measured there.
    pub roughness: Option<Roughness>,
    /// The thickness of its coating, in micrometres.
    pub coat_um: f64,
    /// What the thickness gauge shows, spot by spot in tenths of a micrometre, where the piece is measured there.
    pub spots_deci: Option<[i64; SPOTS]>,
    /// What the concavity gauge shows, in thousandths of a millimetre.
    pub concavity_micro: i64,
    /// Whether it got too little metal (fault F3).
    pub short_pour: bool,
    /// Whether its reading is sent twice, byte for byte.
    pub sent_twice: bool,
}

impl Casting {
    /// Whether the scale shows it to be so far off that it goes back to the melt.
    pub(crate) fn shown_far_off(&self) -> bool {
        (self.shown_dg - NOMINAL_DG).abs() > GROSS_DG
    }

    /// Whether the roughness gauge shows it to be smoother than it may be.
    pub(crate) fn shown_too_smooth(&self) -> bool {
        self.roughness
            .is_some_and(|shown| shown.ra_centi < *RA_CENTI.start())
    }

    /// Whether what `station` shows of it is outside the tolerance limits; at a limit is inside, and so is what is
    /// not measured.
    #[must_use]
    pub fn outside_at(&self, station: &str) -> bool {
        match station {
            "s30" => !MASS_DG.contains(&self.shown_dg),
            "s60" => self.roughness.is_some_and(|shown| {
                !RA_CENTI.contains(&shown.ra_centi) || !RZ_DECI.contains(&shown.rz_deci)
            }),
            "s85" => self.spots_deci.is_some_and(|spots| {
                let sum: i64 = spots.iter().sum();
                let times = SPOTS as i64;
                !(COAT_DECI.start() * times..=COAT_DECI.end() * times).contains(&sum)
            }),
            "s95" => !CONCAVITY_MICRO.contains(&self.concavity_micro),
            _ => false,
        }
    }
}

/// One thing a station or a person does at an instant. Pieces are named by their index in [`Script::castings`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Act {
    /// The casting cell reports a new piece.
    Birth(usize),
    /// The casting cell stands until then, as planned.
    PlannedStop {
        /// When it is to run again.
        until_us: i64,
    },
    /// The casting cell runs again.
    Start,
    /// The scale reports the check weight, in tenths of a gram.
    CheckWeight(i64),
    /// The scale reports the mass of a piece.
    Weigh(usize),
    /// Grit is added to the charge in the blaster.
    MakeUp,
    /// The roughness gauge reports a piece.
    Roughness(usize),
    /// A piece is at the door of the coating line.
    CoatingDoor(usize),
    /// A piece is at the thickness gauge and its gate, measured or not.
    Thickness(usize),
    /// The concavity gauge reports a piece.
    Concavity(usize),
    /// The shift lead frees what holds the roughness gate.
    Release,
}

/// The day, drawn.
#[derive(Debug, Clone)]
pub struct Script {
    /// The seed it was drawn with.
    pub seed: u64,
    /// How many pieces are cast.
    pub pieces: u32,
    /// Whether the faults of the day happen.
    pub faults: bool,
    castings: Vec<Casting>,
    instants: BTreeMap<i64, Vec<Act>>,
}

impl Script {
    /// Draws the first `pieces` pieces of the day. The same seed gives the same day on every machine, and a longer
    /// day begins with the shorter one.
    ///
    /// # Errors
    ///
    /// [`DemoError::Pieces`] when `pieces` is 0 or more than [`PIECES_MAX`].
    pub fn new(seed: u64, pieces: u32) -> Result<Script, DemoError> {
        Script::drawn(seed, pieces, true)
    }

    /// The same day, with the same chance, on which nothing goes wrong: what is found on it is a false alarm.
    ///
    /// # Errors
    ///
    /// As [`Script::new`].
    pub fn control(seed: u64, pieces: u32) -> Result<Script, DemoError> {
        Script::drawn(seed, pieces, false)
    }

    fn drawn(seed: u64, pieces: u32, faults: bool) -> Result<Script, DemoError> {
        if !(1..=PIECES_MAX).contains(&pieces) {
            return Err(DemoError::Pieces {
                found: pieces,
                max: PIECES_MAX,
            });
        }
        let castings: Vec<Casting> = (1..=pieces).map(|n| casting(seed, n, faults)).collect();
        let instants = instants(seed, &castings, faults);
        Ok(Script {
            seed,
            pieces,
            faults,
            castings,
            instants,
        })
    }

    /// The truth about every piece, in order of casting.
    #[must_use]
    pub fn castings(&self) -> &[Casting] {
        &self.castings
    }

    /// Every instant at which something happens, in order: microseconds since 1970, UTC. The last one has nothing to
    /// say; it lets the daemon confirm what was said before.
    pub fn instants(&self) -> impl Iterator<Item = i64> + '_ {
        self.instants.keys().copied()
    }

    /// How many pieces are cast up to and including an instant (microseconds since 1970, UTC).
    #[must_use]
    pub fn cast_by(&self, now_us: i64) -> usize {
        self.castings
            .partition_point(|casting| casting.cast_us <= now_us)
    }

    /// The short pours of this day, by number.
    pub(crate) fn short_pours(&self) -> BTreeSet<u32> {
        self.numbers(|casting| casting.short_pour)
    }

    /// The pieces that must be remelted, by number: what the scale shows to be too far off. That are the short pours, and on one
    /// day in a thousand a piece of the worn mould.
    #[must_use]
    pub fn remelts(&self) -> BTreeSet<u32> {
        self.numbers(Casting::shown_far_off)
    }

    fn numbers(&self, of: impl Fn(&Casting) -> bool) -> BTreeSet<u32> {
        let castings = self.castings.iter().filter(|casting| of(casting));
        castings.map(|casting| casting.n).collect()
    }

    /// Whether a piece may be kept back for F4 without being out of tolerance itself: blasted without fresh grit, or
    /// at the door of the coating line before the shift lead freed it.
    pub(crate) fn suspect(&self, casting: &Casting) -> bool {
        self.faults && casting.n >= STARVED_FROM && casting.coating_door_us < RELEASE_US
    }

    /// What is said after the instant `after_us` (from the start if `None`) up to and including `now_us`, in order.
    pub(crate) fn acts(
        &self,
        after_us: Option<i64>,
        now_us: i64,
    ) -> impl Iterator<Item = (i64, &Act)> {
        let from = after_us.map_or(i64::MIN, |after| after.saturating_add(1));
        let due = (from <= now_us).then(|| self.instants.range(from..=now_us));
        due.into_iter()
            .flatten()
            .flat_map(|(at, acts)| acts.iter().map(|act| (*at, act)))
    }

    /// The first instant after `after_us`, or of all.
    pub(crate) fn instant_after(&self, after_us: Option<i64>) -> Option<i64> {
        let from = after_us.map_or(i64::MIN, |after| after.saturating_add(1));
        self.instants.range(from..).next().map(|(at, _)| *at)
    }
}

/// The name of piece `n` on the bus.
pub(crate) fn piece_name(n: u32) -> String {
    format!("P{n:06}")
}

/// When piece `n` is cast: a piece every takt, from the start of a shift or the end of a planned stop.
fn cast_us(n: u32) -> i64 {
    let (first, from_us) = match n {
        ..=600 => (1, of_day(6, 0, 0)),
        601..=1125 => (601, of_day(10, 30, 0)),
        1126..=1725 => (1126, of_day(14, 0, 0)),
        _ => (1726, of_day(18, 30, 0)),
    };
    from_us + i64::from(n - first) * TAKT_US
}

/// What the castings of piece `n`'s mould weigh in the mean, in grams.
fn mass_mean_g(n: u32, faults: bool) -> f64 {
    let (mould, shot) = ((n - 1) % 4, (n - 1) / 4 + 1);
    let wear = if faults && mould == WORN_MOULD {
        WEAR_G * f64::from(shot)
    } else {
        0.0
    };
    NOMINAL_G + MOULD_OFFSET_G[mould as usize] + wear
}

/// How rough the blaster makes pieces in the mean when it has piece `n`, in um.
fn ra_mean_um(n: u32, faults: bool) -> f64 {
    const EASED: u32 = MADE_UP_BEFORE + EASING_PIECES;
    match n {
        _ if !faults => RA_UM,
        STARVED_FROM..MADE_UP_BEFORE => RA_UM - SMOOTHER_UM * f64::from(n - STARVED_FROM),
        MADE_UP_BEFORE..EASED => {
            let left = f64::from(EASED - n) / f64::from(EASING_PIECES);
            RA_UM + (MADE_UP_UM - RA_UM) * left
        }
        _ => RA_UM,
    }
}

fn casting(seed: u64, n: u32, faults: bool) -> Casting {
    let short_pour = faults && SHORT_POURS.contains(&n);
    let poured = mass_mean_g(n, faults) + POUR_SIGMA_G * normal(seed, Purpose::Pour, n);
    let mass_g = if short_pour {
        poured - SHORT_POUR_G
    } else {
        poured
    };
    let ra_um = ra_mean_um(n, faults) + SURFACE_SIGMA_UM * normal(seed, Purpose::Surface, n);
    let coat_um = COAT_UM + COAT_SIGMA_UM * normal(seed, Purpose::Coat, n);
    let concavity_mm =
        CONCAVITY_MM - BELT_WEAR_MM * f64::from(n) + BASE_SIGMA_MM * normal(seed, Purpose::Base, n);
    let cast_us = cast_us(n);
    Casting {
        n,
        piece: piece_name(n),
        mould: format!("M{}", (n - 1) % 4 + 1),
        heat: format!("H{}", (n - 1) / HEAT_PIECES + 1),
        media: "C1",
        booth: if n % 2 == 1 { "A" } else { "B" },
        cast_us,
        weighed_us: cast_us + SCALE_PLACE * TAKT_US,
        roughness_us: cast_us + ROUGHNESS_PLACE * TAKT_US,
        coating_door_us: cast_us + COATING_DOOR_PLACE * TAKT_US,
        mass_g,
        shown_dg: steps(
            mass_g + SCALE_SIGMA_G * normal(seed, Purpose::Scale, n),
            10.0,
        ),
        ra_um,
        roughness: n
            .is_multiple_of(ROUGHNESS_EVERY)
            .then(|| roughness(seed, n, ra_um)),
        coat_um,
        spots_deci: n
            .is_multiple_of(THICKNESS_EVERY)
            .then(|| spots(seed, n, coat_um)),
        concavity_micro: steps(concavity_mm, 1_000.0),
        short_pour,
        sent_twice: faults && n == SENT_TWICE,
    }
}

/// Ra and Rz are read from the same profile, so what the stylus adds is in both.
fn roughness(seed: u64, n: u32, ra_um: f64) -> Roughness {
    let ra_um = ra_um + STYLUS_SIGMA_UM * normal(seed, Purpose::Stylus, n);
    let factor = RZ_FACTOR * (1.0 + PROFILE_SIGMA * normal(seed, Purpose::Profile, n));
    Roughness {
        ra_centi: steps(ra_um, 100.0),
        rz_deci: steps(ra_um * factor, 10.0),
    }
}

/// Five spots whose mean scatters as the gauge is said to.
fn spots(seed: u64, n: u32, coat_um: f64) -> [i64; SPOTS] {
    let sigma = PROBE_SIGMA_UM * libm::sqrt(SPOTS as f64);
    let mut index = n * SPOTS as u32;
    [(); SPOTS].map(|()| {
        let shown = steps(coat_um + sigma * normal(seed, Purpose::Probe, index), 10.0);
        index += 1;
        shown
    })
}

/// A value in the whole steps that its gauge shows, so many to the unit.
fn steps(value: f64, to_the_unit: f64) -> i64 {
    libm::round(value * to_the_unit) as i64
}

/// In one instant the stations speak from the last place on the belt back to the first. A check weight is on the
/// scale before the next piece is.
fn instants(seed: u64, castings: &[Casting], faults: bool) -> BTreeMap<i64, Vec<Act>> {
    let mut instants: BTreeMap<i64, Vec<Act>> = BTreeMap::new();
    let last = castings.last().map_or(0, |casting| casting.cast_us);
    let last_us = last + CONCAVITY_PLACE * TAKT_US;
    let mut add = |at_us: i64, act: Act| instants.entry(at_us).or_default().push(act);
    let each = |place: i64, act: fn(usize) -> Act, of: fn(&Casting) -> bool| {
        let chosen = castings.iter().enumerate().filter(move |(_, one)| of(one));
        chosen.map(move |(index, one)| (one.cast_us + place * TAKT_US, act(index)))
    };
    let all = |_: &Casting| true;
    let made_up = faults && MAKE_UP_US <= last_us;
    let checks = (0_u32..).zip(CHECKS_US).map(|(nth, at_us)| {
        let noise = CHECK_SIGMA_G * normal(seed, Purpose::CheckWeight, nth);
        (at_us, Act::CheckWeight(steps(CHECK_WEIGHT_G + noise, 10.0)))
    });
    let stops = STOPS
        .iter()
        .filter(|(then, ..)| *then as usize <= castings.len())
        .flat_map(|(_, from_us, until_us)| {
            let until_us = *until_us;
            [
                (*from_us, Act::PlannedStop { until_us }),
                (until_us, Act::Start),
            ]
        });
    let speaking = (faults && RELEASE_US <= last_us)
        .then_some((RELEASE_US, Act::Release))
        .into_iter()
        .chain(each(CONCAVITY_PLACE, Act::Concavity, all))
        .chain(each(THICKNESS_PLACE, Act::Thickness, all))
        .chain(each(COATING_DOOR_PLACE, Act::CoatingDoor, all))
        .chain(each(ROUGHNESS_PLACE, Act::Roughness, |one| {
            one.roughness.is_some()
        }))
        .chain(made_up.then_some((MAKE_UP_US, Act::MakeUp)))
        .chain(checks.filter(|(at_us, _)| *at_us <= last + SCALE_PLACE * TAKT_US))
        .chain(each(SCALE_PLACE, Act::Weigh, all))
        .chain(stops)
        .chain(each(0, Act::Birth, all));
    for (at_us, act) in speaking {
        add(at_us, act);
    }
    instants.entry(last_us + CLOSING_US).or_default();
    instants
}

/// Where a fault should be found: by theory in the middle, and on nine days of ten between the other two, as numbers
/// of the piece that shows it. Computed for this plant, these charts and this counter: by a Markov chain where one
/// can be written down, by several thousand simulated days where not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Window {
    /// Half of the days find it sooner.
    pub median: u32,
    /// One day in twenty finds it sooner.
    pub from: u32,
    /// One day in twenty finds it later.
    pub to: u32,
}

/// F2 by one chart a mould (EWMA of weight 0.1, limits at 3.93 of its own deviations).
pub(crate) const WEAR_WINDOW: Window = Window {
    median: 415,
    from: 251,
    to: 567,
};
/// F4 by two samples in a row, or three of ten, below the limit.
pub(crate) const STARVED_WINDOW: Window = Window {
    median: 936,
    from: 855,
    to: 1_008,
};
/// The mould that wears, as the bus names it.
pub(crate) const WORN_MOULD_NAME: &str = "M3";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::written;

    fn day(seed: u64) -> Script {
        Script::new(seed, PIECES_MAX).unwrap()
    }

    #[test]
    fn pieces_are_where_the_shift_plan_says() {
        let day = day(1);
        let check = |n: u32, cast: &str, weighed: &str, roughness: &str, door: &str| {
            let casting = &day.castings()[n as usize - 1];
            let times = [
                casting.cast_us,
                casting.weighed_us,
                casting.roughness_us,
                casting.coating_door_us,
            ];
            let wanted =
                [cast, weighed, roughness, door].map(|time| format!("2026-03-02T{time}.000+01:00"));
            assert_eq!(times.map(written), wanted, "piece {n}");
        };
        check(1, "06:00:00", "06:01:36", "06:17:36", "06:20:00");
        check(263, "07:44:48", "07:46:24", "08:02:24", "08:04:48");
        check(600, "09:59:36", "10:01:12", "10:17:12", "10:19:36");
        check(601, "10:30:00", "10:31:36", "10:47:36", "10:50:00");
        check(936, "12:44:00", "12:45:36", "13:01:36", "13:04:00");
        check(1126, "14:00:00", "14:01:36", "14:17:36", "14:20:00");
        check(1726, "18:30:00", "18:31:36", "18:47:36", "18:50:00");
        check(2250, "21:59:36", "22:01:12", "22:17:12", "22:19:36");
        assert_eq!(day.cast_by(of_day(5, 59, 59)), 0);
        assert_eq!(day.cast_by(of_day(10, 15, 0)), 600);
        assert_eq!(day.cast_by(of_day(10, 30, 0)), 601);
        assert_eq!(day.cast_by(i64::MAX), 2250);
    }

    #[test]
    fn strata_follow_the_moulds_the_heats_and_the_booths() {
        let day = day(1);
        let strata = |n: usize| {
            let casting = &day.castings()[n - 1];
            (
                casting.mould.as_str(),
                casting.heat.as_str(),
                casting.booth,
                casting.media,
            )
        };
        assert_eq!(strata(1), ("M1", "H1", "A", "C1"));
        assert_eq!(strata(225), ("M1", "H1", "A", "C1"));
        assert_eq!(strata(226), ("M2", "H2", "B", "C1"));
        assert_eq!(strata(263), ("M3", "H2", "A", "C1"));
        assert_eq!(strata(2250), ("M2", "H10", "B", "C1"));
    }

    #[test]
    fn the_same_seed_is_the_same_day_and_a_longer_day_begins_with_it() {
        let (short, long) = (Script::new(7, 300).unwrap(), day(7));
        assert_eq!(short.castings(), &long.castings()[..300]);
        assert_eq!(long.castings(), day(7).castings());
        assert_eq!(long.instants, day(7).instants);
        assert_ne!(short.castings(), Script::new(8, 300).unwrap().castings());
    }

    /// A number of the whole day, rounded to the steps of the gauges, by a plain digest (FNV-1a, 64 bits): the day of
    /// a seed must not change by accident, on no machine and in no build.
    #[test]
    fn a_day_is_the_same_on_every_machine() {
        let mut digest = 0xcbf2_9ce4_8422_2325_u64;
        for casting in day(1).castings() {
            let rough = casting
                .roughness
                .map_or([0; 2], |shown| [shown.ra_centi, shown.rz_deci]);
            let shown = [casting.shown_dg, casting.concavity_micro];
            let spots = casting.spots_deci.unwrap_or_default();
            for number in shown.into_iter().chain(rough).chain(spots) {
                for byte in number.to_le_bytes() {
                    digest = (digest ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
                }
            }
        }
        assert_eq!(format!("{digest:016x}"), "df34395945c892af");
    }

    /// Mean and standard deviation over several days against what is said of each characteristic; bounds are five
    /// standard errors wide, and half a step of the gauge for what rounding does to the deviation.
    #[test]
    fn means_and_spreads_are_the_plants() {
        let days: Vec<Script> = (0..3)
            .map(|seed| Script::control(seed, PIECES_MAX).unwrap())
            .collect();
        let check = |what: &str, shown: &dyn Fn(&Casting) -> Option<f64>, mean: f64, sigma: f64| {
            let all = days.iter().flat_map(Script::castings);
            let values: Vec<f64> = all.filter_map(shown).collect();
            let count = values.len() as f64;
            let found = values.iter().sum::<f64>() / count;
            let square = values
                .iter()
                .map(|x| (x - found) * (x - found))
                .sum::<f64>();
            let spread = (square / (count - 1.0)).sqrt();
            assert!(
                (found - mean).abs() < 5.0 * sigma / count.sqrt(),
                "{what}: mean {found}, wanted {mean}"
            );
            assert!(
                (spread / sigma - 1.0).abs() < 5.0 / (2.0 * count).sqrt() + 0.005,
                "{what}: deviation {spread}, wanted {sigma}"
            );
        };
        let mould = |mould: &'static str| {
            move |one: &Casting| (one.mould == mould).then_some(one.shown_dg as f64 / 10.0)
        };
        let total_g = f64::hypot(5.0, 0.7);
        check("mass M1", &mould("M1"), 1_449.0, total_g);
        check("mass M2", &mould("M2"), 1_451.5, total_g);
        check("mass M3", &mould("M3"), 1_450.0, total_g);
        check("mass M4", &mould("M4"), 1_450.5, total_g);
        let ra = |one: &Casting| one.roughness.map(|shown| shown.ra_centi as f64 / 100.0);
        check("Ra", &ra, 3.25, f64::hypot(0.11, 0.05));
        check("Ra, true", &|one| Some(one.ra_um), 3.25, 0.11);
        // Of a product: its mean is the product of the means, its relative variances add.
        let relative = f64::hypot(f64::hypot(0.11, 0.05) / 3.25, 0.04);
        let rz = |one: &Casting| one.roughness.map(|shown| shown.rz_deci as f64 / 10.0);
        check("Rz", &rz, 6.3 * 3.25, 6.3 * 3.25 * relative);
        let coat = |one: &Casting| {
            let spots = one.spots_deci?;
            Some(spots.iter().sum::<i64>() as f64 / 50.0)
        };
        check("thickness", &coat, 36.0, 1.3);
        let bow = |one: &Casting| {
            Some(one.concavity_micro as f64 / 1_000.0 + 0.000_03 * f64::from(one.n))
        };
        check("concavity less wear", &bow, 0.45, 0.035);
    }

    #[test]
    fn samples_are_taken_as_planned_and_meet_every_mould_and_booth() {
        let day = day(1);
        let of = |chosen: &dyn Fn(&Casting) -> bool| -> Vec<&Casting> {
            day.castings().iter().filter(|one| chosen(one)).collect()
        };
        let rough = of(&|one| one.roughness.is_some());
        assert_eq!((rough.len(), rough[0].n), (250, 9));
        let coated = of(&|one| one.spots_deci.is_some());
        assert_eq!((coated.len(), coated[0].n), (450, 5));
        let moulds: BTreeSet<&str> = rough.iter().map(|one| one.mould.as_str()).collect();
        assert_eq!(moulds.len(), 4);
        let booths: BTreeSet<&str> = coated.iter().map(|one| one.booth).collect();
        assert_eq!(booths.len(), 2);
    }

    #[test]
    fn the_faults_are_as_large_as_they_are_said_to_be() {
        // F2: 562 shots of 0.035 g.
        assert_eq!(day(1).castings()[2246].mould, WORN_MOULD_NAME);
        let worn = mass_mean_g(2_247, true) - mass_mean_g(2_247, false);
        assert!((worn - 19.67).abs() < 1e-9, "{worn}");
        assert_eq!(mass_mean_g(2_248, true), mass_mean_g(2_248, false));
        // F4: the mean falls through the limit at piece 982, and ends at 2.436.
        let below = (1..=PIECES_MAX).find(|n| ra_mean_um(*n, true) < RA_LOWER_UM);
        assert_eq!(below, Some(982));
        let check = |n: u32, mean: f64| {
            let found = ra_mean_um(n, true);
            assert!((found - mean).abs() < 1e-9, "{n}: {found}, wanted {mean}");
        };
        check(299, 3.25);
        check(300, 3.25);
        check(1_039, 3.25 - 0.001_1 * 739.0);
        check(1_040, 3.30);
        check(1_090, 3.275);
        check(1_140, 3.25);
        // The charge is made up when piece 1040 is blasted, 24 places down the belt.
        let blasted = day(1).castings()[1_039].cast_us + 24 * TAKT_US;
        assert_eq!(blasted, MAKE_UP_US);
    }

    /// In the mean 75.2 pieces of a day are truly smoother than 2.50 um, and 10.7 castings of M3 read more than 1475 g:
    /// sums of normal tails over the means above, worked out with the error function of Python 3's `math`. Over eight
    /// days the mean is within five standard errors of a count of that size.
    #[test]
    fn so_many_pieces_are_bad_as_the_faults_make() {
        const SEEDS: u32 = 8;
        let days: Vec<Script> = (0..SEEDS).map(|seed| day(u64::from(seed))).collect();
        let mean = |bad: &dyn Fn(&Casting) -> bool| {
            let all = days.iter().flat_map(Script::castings);
            all.filter(|one| bad(one)).count() as f64 / f64::from(SEEDS)
        };
        let near = |found: f64, wanted: f64| {
            let error = (wanted / f64::from(SEEDS)).sqrt();
            assert!(
                (found - wanted).abs() < 5.0 * error,
                "{found}, wanted {wanted}"
            );
        };
        near(mean(&|one| one.ra_um < RA_LOWER_UM), 75.2);
        near(
            mean(&|one| one.mould == "M3" && one.shown_dg > *MASS_DG.end()),
            10.7,
        );
    }

    #[test]
    fn only_short_pours_are_far_off() {
        for seed in 0..20 {
            let day = Script::new(seed, 300).unwrap();
            assert_eq!(day.short_pours(), BTreeSet::from(SHORT_POURS));
            assert_eq!(day.remelts(), BTreeSet::from(SHORT_POURS), "seed {seed}");
        }
    }

    #[test]
    fn nothing_goes_wrong_on_a_control_day() {
        for seed in 0..2 {
            let (control, day) = (Script::control(seed, PIECES_MAX).unwrap(), day(seed));
            assert_eq!(control.remelts(), BTreeSet::new());
            let one = |script: &Script, n: usize| script.castings()[n - 1].clone();
            assert!(!one(&control, 263).sent_twice && one(&day, 263).sent_twice);
            assert!(!control.castings().iter().any(|one| control.suspect(one)));
            let says =
                |script: &Script, act: &Act| script.instants.values().flatten().any(|a| a == act);
            for act in [Act::MakeUp, Act::Release] {
                assert!(says(&day, &act) && !says(&control, &act), "{act:?}");
            }
            // The same chance: what no fault touches is the same.
            assert_eq!(one(&control, 100), {
                let mut piece = one(&day, 100);
                assert_eq!(piece.mould, "M4");
                piece.short_pour = false;
                piece
            });
            // A sound process: nothing is out of tolerance but what belt wear alone brings near the limit.
            for place in ["s30", "s60", "s85"] {
                let out = control
                    .castings()
                    .iter()
                    .filter(|one| one.outside_at(place));
                assert_eq!(out.count(), 0, "seed {seed}, {place}");
            }
        }
    }

    #[test]
    fn limits_belong_to_the_good_side() {
        let good = Script::control(1, 45).unwrap().castings()[44].clone();
        let check = |station: &str, change: &dyn Fn(&mut Casting), outside: bool| {
            let mut piece = good.clone();
            change(&mut piece);
            assert_eq!(piece.outside_at(station), outside, "{station}");
        };
        check("s30", &|p| p.shown_dg = 14_750, false);
        check("s30", &|p| p.shown_dg = 14_751, true);
        let rough = |ra_centi, rz_deci| {
            move |p: &mut Casting| p.roughness = Some(Roughness { ra_centi, rz_deci })
        };
        check("s60", &rough(250, 120), false);
        check("s60", &rough(249, 120), true);
        check("s60", &rough(250, 119), true);
        check("s60", &|p| p.roughness = None, false);
        check(
            "s85",
            &|p| p.spots_deci = Some([299, 301, 300, 290, 310]),
            false,
        );
        check(
            "s85",
            &|p| p.spots_deci = Some([299, 301, 300, 290, 309]),
            true,
        );
        check("s95", &|p| p.concavity_micro = 250, false);
        check("s95", &|p| p.concavity_micro = 249, true);
        check("s40", &|p| p.shown_dg = 0, false);
    }

    #[test]
    fn the_last_place_speaks_first_and_the_day_closes_empty() {
        let day = day(1);
        let at = |at_us: i64| {
            day.acts(Some(at_us - 1), at_us)
                .map(|(_, act)| act.clone())
                .collect::<Vec<_>>()
        };
        let first = at(of_day(6, 0, 0));
        assert!(
            matches!(first[..], [Act::CheckWeight(_), Act::Birth(0)]),
            "{first:?}"
        );
        assert_eq!(at(of_day(6, 1, 36)), [Act::Weigh(0), Act::Birth(4)]);
        assert_eq!(
            at(of_day(10, 0, 0))[4..],
            [Act::PlannedStop {
                until_us: of_day(10, 30, 0)
            }]
        );
        let half_past = at(of_day(10, 30, 0));
        assert!(
            matches!(
                half_past[..],
                [.., Act::CheckWeight(_), Act::Start, Act::Birth(600)]
            ),
            "{half_past:?}"
        );
        // The sample on which the roughness gate is held in the mean: six pieces ahead of it one is at the gate.
        assert_eq!(
            at(of_day(13, 1, 36)),
            [
                Act::Concavity(833),
                Act::Thickness(843),
                Act::CoatingDoor(929),
                Act::Roughness(935),
                Act::Weigh(975),
                Act::Birth(979),
            ]
        );
        assert_eq!(at(of_day(13, 35, 12))[3], Act::MakeUp);
        // Between two pieces, so that nothing else happens when the shift lead acts.
        assert_eq!(at(of_day(13, 55, 0)), [Act::Release]);
        // In the planned stop the line runs on.
        assert_eq!(at(of_day(10, 15, 12)).len(), 3);
        assert_eq!(at(of_day(22, 58, 0)), [Act::Concavity(2249)]);
        assert_eq!(day.instants().last(), Some(of_day(22, 58, 10)));
        assert_eq!(at(of_day(22, 58, 10)), []);
        assert_eq!(day.acts(Some(of_day(9, 0, 0)), of_day(8, 0, 0)).count(), 0);
    }

    #[test]
    fn a_day_has_at_least_one_piece_and_at_most_two_shifts() {
        for pieces in [0, PIECES_MAX + 1] {
            let fault = Script::new(1, pieces).unwrap_err().to_string();
            assert_eq!(
                fault,
                format!("a day of {pieces} pieces cannot be scripted, wanted 1 to 2250")
            );
        }
    }
}
