//! The surface of the format: words and where they stand, comments, the arrow, times of day.
//!
//! Deliberately not here: what any word means.

use chargehand_core::{Span, Timestamp};
use chargehand_wire::UnknownZone;
use jiff::civil::Date;
use jiff::tz::TimeZone;

/// The day of a case that names none: a Monday on which no zone of today changes its offset.
const DAY: Date = jiff::civil::date(2026, 3, 2);
/// Microseconds of a day on which no clock changes.
const DAY_US: i64 = 86_400_000_000;
/// What stands between a row and what follows from it.
const ARROW: &str = "->";

/// One word of a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// The word; a quoted text keeps its quotes.
    pub text: String,
    /// Where it begins, in characters from 1.
    pub column: usize,
}

/// The words between spaces; what stands in quotes is one word, or part of one.
#[must_use]
pub fn words(text: &str) -> Vec<Token> {
    words_from(text, 1)
}

/// The same of a part that begins at `column` of its line.
pub(crate) fn words_from(text: &str, column: usize) -> Vec<Token> {
    let outside = outside_quotes(text);
    let mut words: Vec<Token> = Vec::new();
    let mut between = true;
    for ((index, char), outside) in text.chars().enumerate().zip(outside) {
        if outside && char.is_whitespace() {
            between = true;
        } else if between {
            between = false;
            words.push(Token {
                text: char.into(),
                column: column + index,
            });
        } else if let Some(word) = words.last_mut() {
            word.text.push(char);
        }
    }
    words
}

/// The parts between commas outside quotes, each with its column.
pub(crate) fn listed(text: &str, column: usize) -> Vec<(&str, usize)> {
    let mut parts = Vec::new();
    let (mut from, mut from_char) = (0, 0);
    let outside = outside_quotes(text);
    for ((char_index, (byte, char)), outside) in text.char_indices().enumerate().zip(outside) {
        if char == ',' && outside {
            parts.push((&text[from..byte], column + from_char));
            (from, from_char) = (byte + 1, char_index + 1);
        }
    }
    parts.push((&text[from..], column + from_char));
    parts
}

/// A line without its comment: a `#` outside quotes, at the start or after a space.
#[must_use]
pub fn uncommented(line: &str) -> &str {
    let outside = outside_quotes(line);
    let mut before = ' ';
    for ((byte, char), outside) in line.char_indices().zip(outside) {
        if char == '#' && outside && before.is_whitespace() {
            return line[..byte].trim_end();
        }
        before = char;
    }
    line.trim_end()
}

/// What stands before the arrow, and what behind it with its column; none where the line has no arrow.
#[must_use]
pub fn at_arrow(line: &str) -> (&str, Option<(&str, usize)>) {
    let outside = outside_quotes(line);
    for ((index, (byte, _)), outside) in line.char_indices().enumerate().zip(outside) {
        if outside && let Some(behind) = line[byte..].strip_prefix(ARROW) {
            return (
                line[..byte].trim_end(),
                Some((behind, index + 1 + ARROW.len())),
            );
        }
    }
    (line, None)
}

/// Where a text in quotes begins that does not end, in characters from 1.
pub(crate) fn unended(line: &str) -> Option<usize> {
    let quotes: Vec<usize> = line
        .chars()
        .enumerate()
        .filter_map(|(index, char)| (char == '"').then_some(index))
        .collect();
    (quotes.len() % 2 == 1).then(|| quotes.last().map_or(1, |last| last + 1))
}

/// Of each character, whether it stands outside quotes; a quote itself does not.
fn outside_quotes(text: &str) -> impl Iterator<Item = bool> {
    let mut quoted = false;
    text.chars().map(move |char| {
        let quote = char == '"';
        quoted ^= quote;
        !quoted && !quote
    })
}

/// Reads `hh:mm:ss`, with up to six decimals, as time since midnight.
#[must_use]
pub fn time_of_day(text: &str) -> Option<Span> {
    let (clock, decimals) = match text.split_once('.') {
        Some((clock, decimals)) => (clock, decimals),
        None => (text, "0"),
    };
    let digits = |text: &str| text.bytes().all(|byte| byte.is_ascii_digit());
    let parts: Vec<&str> = clock.split(':').collect();
    let [hours, minutes, seconds] = parts[..] else {
        return None;
    };
    let part = |text: &str, below: i64| -> Option<i64> {
        let known = text.len() == 2 && digits(text);
        text.parse().ok().filter(|number| known && *number < below)
    };
    let whole = (part(hours, 24)? * 60 + part(minutes, 60)?) * 60 + part(seconds, 60)?;
    if decimals.is_empty() || decimals.len() > 6 || !digits(decimals) {
        return None;
    }
    let micros: i64 = format!("{decimals:0<6}").parse().ok()?;
    Some(Span(whole * 1_000_000 + micros))
}

/// The day of a case, in the plant's zone.
#[derive(Clone, Debug)]
pub struct Day {
    zone: TimeZone,
    date: Date,
    midnight: Timestamp,
    /// As it stands behind a time, `+01:00`.
    offset: String,
}

impl Day {
    /// The day as that zone has it.
    ///
    /// # Errors
    /// The zone is not in the bundled time zone database.
    pub fn in_zone(zone: &str) -> Result<Self, UnknownZone> {
        let unknown = || UnknownZone {
            zone: zone.to_owned(),
        };
        let zone = TimeZone::get(zone).map_err(|_| unknown())?;
        Self::on(zone, DAY).ok_or_else(unknown)
    }

    /// None where the clocks of the zone change on that day, or the calendar ends.
    fn on(zone: TimeZone, date: Date) -> Option<Self> {
        let begins = |date: Date| {
            let midnight = zone
                .to_ambiguous_timestamp(date.at(0, 0, 0, 0))
                .compatible();
            midnight.ok()
        };
        let (midnight, next) = (begins(date)?, begins(date.tomorrow().ok()?)?);
        if next.as_microsecond() - midnight.as_microsecond() != DAY_US {
            return None;
        }
        let seconds = zone.to_offset(midnight).seconds();
        let (sign, minutes) = (if seconds < 0 { '-' } else { '+' }, seconds.abs() / 60);
        Some(Self {
            zone,
            date,
            midnight: Timestamp(midnight.as_microsecond()),
            offset: format!("{sign}{:02}:{:02}", minutes / 60, minutes % 60),
        })
    }

    /// Another day in the same zone; none where its clocks change on it.
    pub(crate) fn another(&self, date: Date) -> Option<Self> {
        Self::on(self.zone.clone(), date)
    }

    /// The day of a time; none where the clocks change on it.
    pub(crate) fn of(&self, at: Timestamp) -> Option<Self> {
        let instant = jiff::Timestamp::from_microsecond(at.0).ok()?;
        self.another(self.zone.to_datetime(instant).date())
    }

    /// Its date, where that is not the one that goes without saying.
    pub(crate) fn date(&self) -> Option<Date> {
        (self.date != DAY).then_some(self.date)
    }

    /// That time of the day.
    #[must_use]
    pub fn at(&self, time: Span) -> Timestamp {
        self.midnight + time
    }

    /// `hh:mm:ss` of a time, whole seconds, cut off.
    #[must_use]
    pub fn clock(&self, at: Timestamp) -> String {
        let seconds = (at - self.midnight).0 / 1_000_000;
        let (hours, minutes) = (seconds / 3600, seconds / 60 % 60);
        format!("{hours:02}:{minutes:02}:{:02}", seconds % 60)
    }

    /// How long after midnight a time is.
    pub(crate) fn since(&self, at: Timestamp) -> Span {
        at - self.midnight
    }

    /// A time of the day as a row writes it; none before midnight.
    pub(crate) fn time(&self, at: Timestamp) -> Option<String> {
        let since = u64::try_from((at - self.midnight).0).ok()?;
        let micros = since % 1_000_000;
        let clock = self.clock(at);
        Some(match micros {
            0 => clock,
            micros => format!("{clock}.{micros:06}")
                .trim_end_matches('0')
                .to_owned(),
        })
    }

    /// A time of the day as a message writes it, with date and offset.
    pub(crate) fn stamp(&self, time: &str) -> String {
        format!("{}T{time}{}", self.date, self.offset)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_keep_quotes_together_and_know_their_columns() {
        let check = |text: &str, expect: &[(&str, usize)]| {
            let found = words(text);
            let found: Vec<(&str, usize)> = found
                .iter()
                .map(|word| (word.text.as_str(), word.column))
                .collect();
            assert_eq!(found, expect, "{text}");
        };
        check("", &[]);
        check("  a  bc ", &[("a", 3), ("bc", 6)]);
        check("a=\"b c\" d", &[("a=\"b c\"", 1), ("d", 9)]);
        check("µ\"x y\"z w", &[("µ\"x y\"z", 1), ("w", 9)]);
    }

    #[test]
    fn a_comment_and_an_arrow_stand_outside_quotes() {
        let check = |line: &str, expect: (&str, Option<(&str, usize)>)| {
            assert_eq!(at_arrow(uncommented(line)), expect, "{line}");
        };
        check("# only a comment", ("", None));
        check("a b", ("a b", None));
        check("a -> b # why", ("a", Some((" b", 5))));
        check(
            "a=\"x -> y # z\" -> b",
            ("a=\"x -> y # z\"", Some((" b", 18))),
        );
        check("a#b", ("a#b", None));
        check("µ -> b", ("µ", Some((" b", 5))));
    }

    #[test]
    fn commas_in_quotes_do_not_part() {
        let check = |text: &str, expect: &[(&str, usize)]| {
            assert_eq!(listed(text, 10), expect, "{text}");
        };
        check("a", &[("a", 10)]);
        check("a, b", &[("a", 10), (" b", 12)]);
        check("µ \"x, y\", b", &[("µ \"x, y\"", 10), (" b", 19)]);
        check("a,", &[("a", 10), ("", 12)]);
    }

    #[test]
    fn a_quote_that_does_not_end_is_found() {
        assert_eq!(unended("a \"b\" c"), None);
        assert_eq!(unended("a \"b\" \"c"), Some(7));
    }

    #[test]
    fn times_of_day() {
        let check = |text: &str, expect: Option<i64>| {
            assert_eq!(time_of_day(text).map(|span| span.0), expect, "{text}");
        };
        check("00:00:00", Some(0));
        check("06:10:00", Some(22_200_000_000));
        check("23:59:59.999999", Some(86_399_999_999));
        check("06:10:00.25", Some(22_200_250_000));
        for text in [
            "",
            "6:10:00",
            "06:10",
            "24:00:00",
            "06:60:00",
            "06:10:60",
            "06:10:00.",
            "06:10:00.1234567",
            "06:10:00.x",
            "+6:10:00",
            "06:10:00:00",
            "now",
        ] {
            check(text, None);
        }
    }

    #[test]
    fn the_day_stands_in_the_plants_zone() {
        // The offsets of the day, from memory of the zones' rules: winter time in both, the second half an hour off.
        let check = |zone: &str, midnight_us: i64, stamp: &str| {
            let day = Day::in_zone(zone).expect("bundled");
            assert_eq!(day.at(Span(0)).0, midnight_us, "{zone}");
            assert_eq!(day.stamp("06:10:00"), stamp, "{zone}");
            assert_eq!(day.clock(day.at(Span::from_secs(22_201))), "06:10:01");
        };
        // date -d '2026-03-02T00:00:00Z' +%s with coreutils gives 1772409600.
        check("UTC", 1_772_409_600_000_000, "2026-03-02T06:10:00+00:00");
        check(
            "Europe/Berlin",
            1_772_406_000_000_000,
            "2026-03-02T06:10:00+01:00",
        );
        check(
            "America/St_Johns",
            1_772_422_200_000_000,
            "2026-03-02T06:10:00-03:30",
        );
        assert!(Day::in_zone("Mars/Base").is_err());
    }
}
