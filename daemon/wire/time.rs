//! Times on the wire: RFC 3339 in, with `Z` or offset and up to six decimals; RFC 3339 out, with three
//! decimals and the plant's offset. The time zone database is the bundled one, never the machine's.

use crate::UnknownZone;
use chargehand_core::{Since1970, Timestamp};
use chargehand_measure::{Decimal, parse_number};
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, Offset, TimeZone};

/// Why a time cannot be used.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum TimeFault {
    /// Not a time.
    NoTime,
    /// More than six decimals.
    TooFine,
    /// A time that could be any.
    NoOffset,
    /// A local time that the zone does not have: its clocks are put forward over it.
    Skipped(String),
}

/// When something was, as far as a text says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Moment {
    pub first: Timestamp,
    /// The same local time once more, where the zone's clocks are put back over it.
    pub again: Option<Timestamp>,
}

impl From<Timestamp> for Moment {
    fn from(first: Timestamp) -> Self {
        Self { first, again: None }
    }
}

/// The zone of that name, from the bundled database.
pub(crate) fn zone(name: &str) -> Result<TimeZone, UnknownZone> {
    TimeZone::get(name).map_err(|_| UnknownZone {
        zone: name.to_owned(),
    })
}

/// Reads an RFC 3339 time; one without offset only where the source's zone is declared.
pub(crate) fn parse(text: &str, zone: Option<&TimeZone>) -> Result<Moment, TimeFault> {
    let bytes = text.as_bytes();
    let digits = |range: core::ops::Range<usize>| {
        bytes
            .get(range)
            .is_some_and(|part| part.iter().all(u8::is_ascii_digit))
    };
    let shaped = digits(0..4)
        && digits(5..7)
        && digits(8..10)
        && digits(11..13)
        && digits(14..16)
        && digits(17..19);
    let marks = [(4, b'-'), (7, b'-'), (13, b':'), (16, b':')];
    if !shaped
        || !marks.iter().all(|(at, mark)| bytes[*at] == *mark)
        || !matches!(bytes[10], b'T' | b't')
    {
        return Err(TimeFault::NoTime);
    }
    let rest = &text[19..];
    let decimals = rest.strip_prefix('.').map_or(0, |rest| {
        rest.bytes().take_while(u8::is_ascii_digit).count()
    });
    if rest.starts_with('.') && decimals == 0 {
        return Err(TimeFault::NoTime);
    }
    if decimals > 6 {
        return Err(TimeFault::TooFine);
    }
    let (civil, offset) = text.split_at(19 + if decimals > 0 { 1 + decimals } else { 0 });
    let civil: DateTime = civil
        .replace('t', "T")
        .parse()
        .map_err(|_| TimeFault::NoTime)?;
    let zone = match (offset, zone) {
        ("Z" | "z", _) => TimeZone::UTC,
        ("", Some(zone)) => zone.clone(),
        ("", None) => return Err(TimeFault::NoOffset),
        (offset, _) => TimeZone::fixed(parse_offset(offset).ok_or(TimeFault::NoTime)?),
    };
    let local = zone.to_ambiguous_timestamp(civil);
    let stamp = |at: Result<jiff::Timestamp, jiff::Error>| {
        at.map(|at| Timestamp(at.as_microsecond()))
            .map_err(|_| TimeFault::NoTime)
    };
    match local.offset() {
        AmbiguousOffset::Unambiguous { .. } => Ok(stamp(local.compatible())?.into()),
        AmbiguousOffset::Gap { .. } => {
            let name = zone.iana_name().unwrap_or("the source's zone");
            Err(TimeFault::Skipped(name.to_owned()))
        }
        AmbiguousOffset::Fold { .. } => Ok(Moment {
            first: stamp(local.earlier())?,
            again: Some(stamp(local.later())?),
        }),
    }
}

/// `+hh:mm` or `-hh:mm`.
fn parse_offset(text: &str) -> Option<Offset> {
    let bytes = text.as_bytes();
    let [sign, h1, h2, b':', m1, m2] = *bytes else {
        return None;
    };
    let pair = |a: u8, b: u8| {
        (a.is_ascii_digit() && b.is_ascii_digit())
            .then(|| i32::from(a - b'0') * 10 + i32::from(b - b'0'))
    };
    let (hours, minutes) = (pair(h1, h2)?, pair(m1, m2)?);
    if hours > 23 || minutes > 59 {
        return None;
    }
    let seconds = (hours * 60 + minutes) * 60;
    match sign {
        b'+' => Offset::from_seconds(seconds).ok(),
        b'-' => Offset::from_seconds(-seconds).ok(),
        _ => None,
    }
}

/// Reads a count since 1970.
pub(crate) fn parse_count(text: &str, counts: Since1970) -> Option<Timestamp> {
    let number = parse_number(text).ok()?;
    let micros = number.checked_mul(Decimal::from(match counts {
        Since1970::Seconds => 1_000_000,
        Since1970::Millis => 1_000,
        Since1970::Micros => 1,
    }))?;
    let micros: i64 = micros.round().try_into().ok()?;
    // Beyond what a calendar can say it is no time.
    jiff::Timestamp::from_microsecond(micros).ok()?;
    Some(Timestamp(micros))
}

/// Writes a time with three decimals and the zone's offset at that time.
pub(crate) fn print(at: Timestamp, zone: &TimeZone) -> String {
    let stamp = jiff::Timestamp::from_microsecond(at.0).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let offset = zone.to_offset(stamp);
    let civil = offset.to_datetime(stamp);
    let seconds = offset.seconds();
    let (sign, minutes) = (if seconds < 0 { '-' } else { '+' }, seconds.abs() / 60);
    format!(
        "{:04}-{:02}-{:02}T{:02}:{:02}:{:02}.{:03}{sign}{:02}:{:02}",
        civil.year(),
        civil.month(),
        civil.day(),
        civil.hour(),
        civil.minute(),
        civil.second(),
        civil.millisecond(),
        minutes / 60,
        minutes % 60
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn micros(text: &str) -> Result<i64, TimeFault> {
        parse(text, None).map(|at| at.first.0)
    }

    #[test]
    fn the_examples_of_rfc_3339_are_read() {
        // RFC 3339 section 5.8, from memory; the equalities are the text's own.
        assert_eq!(micros("1985-04-12T23:20:50.52Z"), Ok(482_196_050_520_000));
        assert_eq!(
            micros("1996-12-19T16:39:57-08:00"),
            micros("1996-12-20T00:39:57Z")
        );
        assert_eq!(
            micros("1937-01-01T12:00:27.87+00:20"),
            micros("1937-01-01T11:40:27.87Z")
        );
        // Its leap seconds: no count of ours has them; the second after 59 is taken.
        assert!(micros("1990-12-31T23:59:60Z").is_ok());
    }

    #[test]
    fn what_is_no_time_is_told_from_what_could_be_any() {
        for text in ["2026-03-02T07:46:24", "2026-03-02T07:46:24.250"] {
            assert_eq!(micros(text), Err(TimeFault::NoOffset), "{text}");
        }
        for text in [
            "",
            "now",
            "2026-03-02",
            "2026-03-02 07:46:24Z",
            "2026-13-02T07:46:24Z",
            "2026-03-02T07:46:24.Z",
            "2026-03-02T07:46:24+1:00",
            "2026-03-02T07:46:24+01",
            "2026-03-02T07:46:24.1234567Z",
            "2026-03-02T07:46:24+01:00[Europe/Berlin]",
            "1772433984",
        ] {
            assert!(
                matches!(micros(text), Err(TimeFault::NoTime | TimeFault::TooFine)),
                "{text}"
            );
        }
    }

    #[test]
    fn a_declared_zone_gives_the_offset() {
        let berlin = zone("Europe/Berlin").expect("bundled");
        let at = parse("2026-03-02T07:46:24.250", Some(&berlin)).expect("zone declared");
        assert_eq!(Ok(at.first.0), micros("2026-03-02T07:46:24.250+01:00"));
        assert_eq!(print(at.first, &berlin), "2026-03-02T07:46:24.250+01:00");
        let summer = parse("2026-07-01T12:00:00Z", None).expect("UTC");
        assert_eq!(
            print(summer.first, &berlin),
            "2026-07-01T14:00:00.000+02:00"
        );
    }

    #[test]
    fn a_local_time_that_the_zone_skips_is_none_and_one_it_repeats_is_two() {
        // Directive 2000/84/EC: from 02:00 to 03:00 CET on the last Sunday of March, back at 03:00 CEST on that of October.
        let berlin = zone("Europe/Berlin").expect("bundled");
        let local = |text: &str| parse(text, Some(&berlin));
        let skipped = Err(TimeFault::Skipped("Europe/Berlin".to_owned()));
        for text in ["2026-03-29T02:00:00", "2026-03-29T02:59:59.999999"] {
            assert_eq!(local(text), skipped, "{text}");
        }
        for text in ["2026-10-25T02:00:00", "2026-10-25T02:59:59.999999"] {
            let at = local(text).expect("a time");
            assert_eq!(Ok(at.first.0), micros(&format!("{text}+02:00")), "{text}");
            let again = at.again.map(|again| again.0).expect("a second one");
            assert_eq!(Ok(again), micros(&format!("{text}+01:00")), "{text}");
        }
        for text in [
            "2026-03-29T01:59:59",
            "2026-03-29T03:00:00",
            "2026-10-25T01:59:59",
            "2026-10-25T03:00:00",
        ] {
            assert!(local(text).is_ok_and(|at| at.again.is_none()), "{text}");
        }
        // Who sends the offset says which of the two it is.
        assert!(local("2026-10-25T02:30:00+02:00").is_ok_and(|at| at.again.is_none()));
    }

    #[test]
    fn counts_since_1970() {
        for (text, counts, expect) in [
            (
                "1772433984250",
                Since1970::Millis,
                Some(1_772_433_984_250_000),
            ),
            (
                "1772433984.25",
                Since1970::Seconds,
                Some(1_772_433_984_250_000),
            ),
            ("1e300", Since1970::Seconds, None),
            ("\"x\"", Since1970::Micros, None),
        ] {
            assert_eq!(parse_count(text, counts).map(|at| at.0), expect, "{text}");
        }
    }
}
