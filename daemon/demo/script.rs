//! The script of the day: what happens to every piece, and when each station speaks.
//!
//! Drawn once from a seed, before anything runs, so that a day can be played again and judged against its own
//! truth: the score card asks the script what a piece really weighed. Masses are whole tenths of a gram wherever
//! they are a reading, the resolution of the scale. Deliberately not here: anything that depends on answers. The
//! script says what the plant does to its pieces; what it does with them is the stations' business.
//!
//! First form: births at the casting cell, masses at the scale, the check weights, and the fault F3, three short
//! pours of which one is reported twice.

use std::collections::{BTreeMap, BTreeSet};

use crate::DemoError;
use crate::chance::{Purpose, normal};
use crate::clock::{SECOND_US, of_day};

/// The most pieces a day has: two shifts less the planned stops of the casting cell.
pub const PIECES_MAX: u32 = 2_250;

/// Time from one piece to the next.
const TAKT_US: i64 = 24 * SECOND_US;
/// Where the scale stands, in pieces after casting.
const SCALE_PLACE: i64 = 4;
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
/// Tolerance limits of the mass, in tenths of a gram; a value at a limit is inside.
const TOLERANCE_DG: std::ops::RangeInclusive<i64> = 14_250..=14_750;
/// F3: the short pours, how much metal they lack in grams, and the one whose reading is sent twice.
const SHORT_POURS: [u32; 3] = [262, 263, 265];
const SHORT_POUR_G: f64 = 70.0;
const SENT_TWICE: u32 = 263;
/// After the last piece the line stands empty for a little, so that its last events can be confirmed.
const CLOSING_US: i64 = 10 * SECOND_US;

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
    /// When it was cast, microseconds since 1970, UTC.
    pub cast_us: i64,
    /// When it is on the scale, microseconds since 1970, UTC.
    pub weighed_us: i64,
    /// What it weighs, in grams.
    pub mass_g: f64,
    /// What the scale shows, in tenths of a gram.
    pub shown_dg: i64,
    /// Whether it got too little metal (fault F3).
    pub short_pour: bool,
    /// Whether its reading is sent twice, byte for byte.
    pub sent_twice: bool,
}

impl Casting {
    /// Whether what the scale shows is inside the tolerance limits.
    #[must_use]
    pub fn in_tolerance(&self) -> bool {
        TOLERANCE_DG.contains(&self.shown_dg)
    }
}

/// One thing a station does at an instant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Act {
    /// The casting cell reports a new piece, by its index in [`Script::castings`].
    Birth(usize),
    /// The scale reports the check weight, in tenths of a gram.
    CheckWeight(i64),
    /// The scale reports the mass of a piece, by its index in [`Script::castings`].
    Weigh(usize),
}

/// The day, drawn.
#[derive(Debug, Clone)]
pub struct Script {
    /// The seed it was drawn with.
    pub seed: u64,
    /// How many pieces are cast.
    pub pieces: u32,
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
        if !(1..=PIECES_MAX).contains(&pieces) {
            return Err(DemoError::Pieces {
                found: pieces,
                max: PIECES_MAX,
            });
        }
        let castings: Vec<Casting> = (1..=pieces).map(|n| casting(seed, n)).collect();
        let instants = instants(seed, &castings);
        Ok(Script {
            seed,
            pieces,
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

    /// The pieces that must be remelted, by number: exactly the short pours of this day.
    #[must_use]
    pub fn remelts(&self) -> BTreeSet<u32> {
        self.castings
            .iter()
            .filter(|casting| casting.short_pour)
            .map(|casting| casting.n)
            .collect()
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

fn casting(seed: u64, n: u32) -> Casting {
    let mould = (n - 1) % 4;
    let short_pour = SHORT_POURS.contains(&n);
    let poured =
        NOMINAL_G + MOULD_OFFSET_G[mould as usize] + POUR_SIGMA_G * normal(seed, Purpose::Pour, n);
    let mass_g = if short_pour {
        poured - SHORT_POUR_G
    } else {
        poured
    };
    Casting {
        n,
        piece: format!("P{n:06}"),
        mould: format!("M{}", mould + 1),
        heat: format!("H{}", (n - 1) / HEAT_PIECES + 1),
        cast_us: cast_us(n),
        weighed_us: cast_us(n) + SCALE_PLACE * TAKT_US,
        mass_g,
        shown_dg: tenths(mass_g + SCALE_SIGMA_G * normal(seed, Purpose::Scale, n)),
        short_pour,
        sent_twice: n == SENT_TWICE,
    }
}

/// Grams to the whole tenths a scale of that resolution shows.
fn tenths(grams: f64) -> i64 {
    libm::round(grams * 10.0) as i64
}

/// In one instant the stations speak from the last place on the belt back to the first: scale, then casting cell.
/// A check weight is on the scale before the next piece is.
fn instants(seed: u64, castings: &[Casting]) -> BTreeMap<i64, Vec<Act>> {
    let mut instants: BTreeMap<i64, Vec<Act>> = BTreeMap::new();
    let last_us = castings
        .iter()
        .map(|casting| casting.weighed_us)
        .max()
        .unwrap_or_default();
    for (nth, at_us) in (0_u32..)
        .zip(CHECKS_US)
        .filter(|(_, at_us)| *at_us <= last_us)
    {
        let shown =
            tenths(CHECK_WEIGHT_G + CHECK_SIGMA_G * normal(seed, Purpose::CheckWeight, nth));
        instants
            .entry(at_us)
            .or_default()
            .push(Act::CheckWeight(shown));
    }
    for (index, casting) in castings.iter().enumerate() {
        instants
            .entry(casting.weighed_us)
            .or_default()
            .push(Act::Weigh(index));
    }
    for (index, casting) in castings.iter().enumerate() {
        instants
            .entry(casting.cast_us)
            .or_default()
            .push(Act::Birth(index));
    }
    instants.entry(last_us + CLOSING_US).or_default();
    instants
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::written;

    #[test]
    fn pieces_are_cast_and_weighed_when_the_shift_plan_says() {
        let day = Script::new(1, PIECES_MAX).unwrap();
        let check = |n: u32, cast: &str, weighed: &str| {
            let casting = &day.castings()[n as usize - 1];
            assert_eq!(
                written(casting.cast_us),
                format!("2026-03-02T{cast}.000+01:00"),
                "cast {n}"
            );
            assert_eq!(
                written(casting.weighed_us),
                format!("2026-03-02T{weighed}.000+01:00"),
                "weighed {n}"
            );
        };
        check(1, "06:00:00", "06:01:36");
        check(263, "07:44:48", "07:46:24");
        check(300, "07:59:36", "08:01:12");
        check(600, "09:59:36", "10:01:12");
        check(601, "10:30:00", "10:31:36");
        check(1126, "14:00:00", "14:01:36");
        check(1726, "18:30:00", "18:31:36");
        check(2250, "21:59:36", "22:01:12");
    }

    #[test]
    fn strata_follow_the_moulds_and_the_heats() {
        let day = Script::new(1, PIECES_MAX).unwrap();
        let strata = |n: usize| {
            (
                day.castings()[n - 1].mould.as_str(),
                day.castings()[n - 1].heat.as_str(),
            )
        };
        assert_eq!(strata(1), ("M1", "H1"));
        assert_eq!(strata(225), ("M1", "H1"));
        assert_eq!(strata(226), ("M2", "H2"));
        assert_eq!(strata(263), ("M3", "H2"));
        assert_eq!(strata(2250), ("M2", "H10"));
    }

    #[test]
    fn the_same_seed_is_the_same_day_and_a_longer_day_begins_with_it() {
        let (short, long) = (Script::new(7, 300).unwrap(), Script::new(7, 301).unwrap());
        assert_eq!(short.castings(), &long.castings()[..300]);
        assert_ne!(short.castings(), Script::new(8, 300).unwrap().castings());
    }

    #[test]
    fn only_short_pours_are_far_off_and_nobody_else_is_out_of_tolerance() {
        for seed in 0..20 {
            let day = Script::new(seed, 300).unwrap();
            assert_eq!(day.remelts(), BTreeSet::from(SHORT_POURS));
            for casting in day.castings() {
                let off_dg = (casting.shown_dg - 14_500).abs();
                // Eight standard deviations of what is left: a fault of the generator, not bad luck.
                assert_eq!(
                    off_dg > 400,
                    casting.short_pour,
                    "seed {seed}, n {}",
                    casting.n
                );
            }
        }
    }

    #[test]
    fn the_scale_speaks_before_the_casting_cell_and_the_day_closes_empty() {
        let day = Script::new(1, 300).unwrap();
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
        let eight = at(of_day(8, 0, 0));
        assert!(
            matches!(eight[..], [Act::CheckWeight(_), Act::Weigh(296)]),
            "{eight:?}"
        );
        assert_eq!(day.instants().last(), Some(of_day(8, 1, 22)));
        assert_eq!(at(of_day(8, 1, 22)), []);
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
