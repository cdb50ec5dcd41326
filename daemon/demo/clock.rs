//! The plant's times: microseconds since 1970 in UTC, and how they are written on the bus.
//!
//! The day is 2026-03-02 in Europe/Berlin, an hour ahead of UTC; no change of the clocks falls into it. Deliberately
//! not here: reading any clock.

use jiff::Timestamp;
use jiff::tz::{Offset, TimeZone};

/// Microseconds in a second.
pub(crate) const SECOND_US: i64 = 1_000_000;

/// 2026-03-02T00:00:00+01:00, where the plant's day begins.
pub(crate) const DAY_BEGINS_US: i64 = 1_772_406_000 * SECOND_US;

/// The instant of a time of the plant's day.
pub(crate) const fn of_day(hour: i64, minute: i64, second: i64) -> i64 {
    DAY_BEGINS_US + ((hour * 60 + minute) * 60 + second) * SECOND_US
}

/// RFC 3339 with the plant's offset and three decimals; what cannot be a time is written as its number.
pub(crate) fn written(at_us: i64) -> String {
    let Ok(at) = Timestamp::from_microsecond(at_us) else {
        return format!("{at_us} us");
    };
    at.to_zoned_datetime(TimeZone::fixed(Offset::constant(1)))
        .strftime("%Y-%m-%dT%H:%M:%S%.3f%:z")
        .to_string()
}

/// The plant's time of day, as people read it off a clock on the wall: hours, minutes, seconds.
#[must_use]
pub fn time_of_day(at_us: i64) -> String {
    let text = written(at_us);
    text.get(11..19).map_or(text.clone(), str::to_owned)
}

/// Reads an RFC 3339 time with an offset; `None` for anything else.
pub(crate) fn read(text: &str) -> Option<i64> {
    text.parse::<Timestamp>()
        .ok()
        .map(Timestamp::as_microsecond)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_is_written_with_its_offset() {
        assert_eq!(
            written(of_day(7, 46, 24) + 250_000),
            "2026-03-02T07:46:24.250+01:00"
        );
        assert_eq!(written(DAY_BEGINS_US), "2026-03-02T00:00:00.000+01:00");
        assert_eq!(time_of_day(of_day(7, 46, 24) + 250_000), "07:46:24");
        assert_eq!(written(i64::MAX), format!("{} us", i64::MAX));
    }

    #[test]
    fn times_are_read_with_any_offset_but_not_without() {
        let check = |text, wanted| assert_eq!(read(text), wanted, "{text}");
        check(
            "2026-03-02T07:46:24.250+01:00",
            Some(of_day(7, 46, 24) + 250_000),
        );
        check(
            "2026-03-02T06:46:24.250Z",
            Some(of_day(7, 46, 24) + 250_000),
        );
        check("2026-03-02T07:46:24", None);
        check("soon", None);
    }

    /// The zone database's own word on the offset of that day.
    #[test]
    fn the_offset_is_the_zones() {
        let zone = TimeZone::get("Europe/Berlin").unwrap();
        for hour in [0, 6, 23] {
            let at = Timestamp::from_microsecond(of_day(hour, 0, 0)).unwrap();
            assert_eq!(zone.to_offset(at), Offset::constant(1));
        }
    }
}
