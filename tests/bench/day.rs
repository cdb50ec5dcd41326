//! A line's day as its stations tell it: a birth for every piece, its mass four pieces later, and the roughness
//! of every ninth piece, of the shipped plant description. So each of the shipped rules has something to judge.
//!
//! The same pieces in the same order, whoever is asked: a figure of one who decides otherwise is worth nothing, and
//! that can be looked up afterwards. One casting in five hundred is 70 g short. What else is wrong with the pieces
//! of [`Day::in_trouble`] is there to be found: a mould that wears, castings out of tolerance, a surface that becomes too smooth.
//!
//! Deliberately not here: what a station does with an answer, but that a piece that is kept back is not measured again.

use crate::load::{Message, Source, padded};
use std::collections::{BTreeSet, VecDeque};

/// Pieces between casting and scale, and between casting and the roughness gauge.
const SCALE: u64 = 4;
const ROUGHNESS: u64 = 44;
/// Every so many pieces one is measured for its roughness.
const EVERY: u64 = 9;
/// One casting in so many is short.
const SHORT: u64 = 500;
/// Name and centre of the moulds, in tenths of a gram, as the plant description has them.
const MOULDS: [(&str, i64); 4] = [
    ("M3", 14_500),
    ("M1", 14_490),
    ("M2", 14_515),
    ("M4", 14_505),
];
/// In trouble: pieces until the surface begins to fail.
const SMOOTH_AFTER: u64 = 600;

/// The messages of a day, in order.
pub struct Day {
    /// Pieces cast.
    cast: u64,
    /// Kept back at the scale.
    gone: BTreeSet<u64>,
    /// Pieces cast when the trouble began.
    trouble: Option<u64>,
    at: String,
    waiting: VecDeque<Message>,
    made: u64,
    answered: u64,
}

impl Day {
    /// From the first piece.
    pub fn new() -> Self {
        Self {
            cast: 0,
            gone: BTreeSet::new(),
            trouble: None,
            at: String::new(),
            waiting: VecDeque::new(),
            made: 0,
            answered: 0,
        }
    }

    /// From here on there is something to be found.
    pub fn in_trouble(&mut self) {
        self.trouble = Some(self.cast);
    }

    /// Messages made so far, and how many of them want an answer.
    pub fn made(&self) -> (u64, u64) {
        (self.made, self.answered)
    }

    /// One piece is cast; the others move on by a place.
    fn cast(&mut self) {
        self.cast += 1;
        let number = self.cast;
        let (mould, _) = mould(number);
        let birth = format!(
            r#"{{"id":"s20-{number:09}","seq":{number},"kind":"birth","piece":"P{number:09}","strata":{{"mould":"{mould}","heat":"H1","media":"C1"}},"at":"{}"}}"#,
            self.at
        );
        self.tell("s20", "event", birth.into_bytes(), false);
        if let Some(number) = number.checked_sub(SCALE).filter(|number| *number > 0) {
            self.weigh(number);
        }
        if let Some(number) = number.checked_sub(ROUGHNESS)
            && number > 0
            && number.is_multiple_of(EVERY)
            && !self.gone.remove(&number)
        {
            self.feel(number);
        }
    }

    fn weigh(&mut self, number: u64) {
        let (_, centre) = mould(number);
        let mut tenths = centre + scatter(number * 37, 101);
        if let Some(since) = self.since(number) {
            if mould(number).0 == "M3" {
                tenths -= i64::try_from(since / 4)
                    .expect("a number of pieces")
                    .min(200);
            }
            if number.is_multiple_of(97) {
                tenths = 14_500 + 300;
            }
        }
        if number.is_multiple_of(SHORT) {
            tenths = 14_500 - 700;
        }
        if !(14_250..=14_750).contains(&tenths) && number.is_multiple_of(EVERY) {
            self.gone.insert(number);
        }
        let value = format!(
            r#""mass":{{"value":{}.{},"unit":"g"}}"#,
            tenths / 10,
            tenths % 10
        );
        self.measured("s30", number, &value, r#""gauge":"lc-1","#);
    }

    fn feel(&mut self, number: u64) {
        let mut hundredths = 325 + scatter(number * 53, 61);
        if let Some(since) = self.since(number).filter(|since| *since > SMOOTH_AFTER) {
            let place = (since - SMOOTH_AFTER) / EVERY;
            // One alone, then one in a while, then more of them.
            if place == 2 || place == 13 || place >= 25 && place.is_multiple_of(3) {
                hundredths = 245;
            }
        }
        let tenths = hundredths * 63 / 100;
        let value = format!(
            r#""ra":{{"value":{}.{:02},"unit":"um"}},"rz":{{"value":{}.{},"unit":"um"}}"#,
            hundredths / 100,
            hundredths % 100,
            tenths / 10,
            tenths % 10
        );
        self.measured("s60", number, &value, "");
    }

    fn measured(&mut self, station: &'static str, number: u64, values: &str, gauge: &str) {
        let text = format!(
            r#"{{"id":"{station}-{number:09}","seq":{number},"piece":"P{number:09}","at":"{}","values":{{{values}}},{gauge}"attempt":1,"controller":""#,
            self.at
        );
        self.tell(station, "reading", padded(text), true);
    }

    fn tell(
        &mut self,
        station: &'static str,
        kind: &'static str,
        payload: Vec<u8>,
        answered: bool,
    ) {
        self.waiting.push_back(Message {
            station,
            kind,
            payload,
            answered,
        });
    }

    /// How long before this piece the trouble began, in pieces.
    fn since(&self, number: u64) -> Option<u64> {
        number.checked_sub(self.trouble?)
    }
}

impl Source for Day {
    fn measured_at(&mut self, at: jiff::Timestamp) {
        self.at = format!("{at:.3}");
    }

    fn next(&mut self) -> Message {
        while self.waiting.is_empty() {
            self.cast();
        }
        let message = self.waiting.pop_front().expect("a piece was cast");
        self.made += 1;
        self.answered += u64::from(message.answered);
        message
    }
}

fn mould(number: u64) -> (&'static str, i64) {
    MOULDS[usize::try_from(number % 4).expect("below four")]
}

/// As if by chance, evenly around zero.
fn scatter(number: u64, width: u64) -> i64 {
    i64::try_from(number % width).expect("a small number")
        - i64::try_from(width / 2).expect("a small number")
}
