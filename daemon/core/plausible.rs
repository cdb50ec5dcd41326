//! Whether what was counted can be true: a value outside the band of what is plausible is no measurement.
//!
//! Deliberately not here: reading, and what a piece lacks by it.

use crate::codes;
use crate::input::{Fault, Measured, Reading, Spot};
use crate::names::ProductName;
use crate::outcome::RejectReason;
use crate::plant::{Characteristic, Of, Station};
use alloc::vec::Vec;

/// A reading with what cannot be true taken out.
pub(crate) struct Sifted<'a> {
    /// What can be judged, in the order of the message.
    pub values: Vec<(&'a Characteristic, &'a Measured)>,
    /// What is rejected, in the order of the message.
    pub faults: Vec<Fault>,
}

/// Looks through a reading of a piece of that product, or of none.
///
/// # Panics
/// On a value of a characteristic that is not measured at the station: the reader refuses such.
pub(crate) fn sift<'a>(
    reading: &'a Reading,
    station: &'a Station,
    product: Option<&ProductName>,
) -> Sifted<'a> {
    let mut values = Vec::new();
    let mut faults = reading.faults.clone();
    for value in &reading.values {
        let (measured, name, spots) = match value {
            Ok(measured) => (
                Some(measured),
                Some(&measured.characteristic),
                &measured.spots[..],
            ),
            Err(not) => (None, not.fault.characteristic.as_ref(), &not.spots[..]),
        };
        let of = name.map(|name| {
            station.characteristic(name.as_str()).unwrap_or_else(|| {
                panic!("{name} was read as measured at {} and is not", station.name)
            })
        });
        let whole = measured.map(|one| (one.count, one.at.as_str()));
        let counted = spots.iter().map(|Spot { count, at }| (*count, at.as_str()));
        let untrue = of.and_then(|of| {
            counted
                .chain(whole)
                .find_map(|(count, at)| implausible(of, product, count, at))
        });
        let fault = untrue.or_else(|| value.as_ref().err().map(|not| not.fault.clone()));
        match (fault, of, measured) {
            (None, Some(of), Some(measured)) => values.push((of, measured)),
            (Some(mut fault), of, _) => {
                // What a station lacks is no gap of a piece.
                fault.characteristic = fault
                    .characteristic
                    .filter(|_| of.is_some_and(|of| of.of == Of::Piece));
                faults.push(fault);
            }
            _ => {}
        }
    }
    Sifted { values, faults }
}

/// Why a count cannot be true, if it cannot.
fn implausible(
    of: &Characteristic,
    product: Option<&ProductName>,
    count: i64,
    at: &str,
) -> Option<Fault> {
    let (low, high) = of
        .plausible(product)
        .filter(|(low, high)| !(*low..=*high).contains(&count))?;
    let Characteristic { name, scale, .. } = of;
    Some(Fault {
        reason: RejectReason::Implausible,
        at: at.into(),
        text: codes::value_implausible(
            name.as_str(),
            scale.text(count),
            scale.digits(low),
            scale.text(high),
        ),
        characteristic: Some(name.clone()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::input::NotMeasured;
    use crate::names::{CharacteristicName, InputId, StationName};
    use crate::outcome::Had;
    use crate::plant::{Aims, Condition};
    use crate::product::ByProduct;
    use alloc::collections::BTreeMap;
    use alloc::format;
    use alloc::string::String;
    use alloc::vec;
    use chargehand_measure::{Decimal, Unit};

    fn band(plausible: Option<(i64, i64)>) -> Aims {
        Aims {
            plausible,
            ..Aims::default()
        }
    }

    fn station() -> Station {
        let characteristic = |name: &str, of, plausible| Characteristic {
            name: CharacteristicName::from(name),
            scale: chargehand_measure::Scale::new(
                Unit::parse("g").expect("a unit"),
                Decimal::new(1, 1),
            )
            .expect("a scale"),
            aims: ByProduct::All(band(plausible)),
            of,
            per: None,
            gauge: None,
        };
        Station {
            name: StationName::from("s30"),
            place: 0,
            condition: Condition::AsCast,
            gate: None,
            characteristics: vec![
                characteristic("mass", Of::Piece, Some((2_000, 30_000))),
                characteristic("load", Of::Station, Some((0, 100))),
                characteristic("any", Of::Piece, None),
            ],
            topics: Vec::new(),
            observe: false,
        }
    }

    fn measured(name: &str, count: i64, spots: &[i64]) -> Measured {
        let spot = |(index, count): (usize, &i64)| Spot {
            count: *count,
            at: format!("/values/{name}/spots/{index}"),
        };
        Measured {
            characteristic: CharacteristicName::from(name),
            count,
            at: format!("/values/{name}"),
            spots: spots.iter().enumerate().map(spot).collect(),
            had: Had::Plain,
        }
    }

    fn unread(name: &str, place: &str, spots: &[i64]) -> NotMeasured {
        NotMeasured {
            fault: Fault {
                reason: RejectReason::Unreadable,
                at: format!("/values/{name}{place}"),
                text: "not a text".into(),
                characteristic: Some(CharacteristicName::from(name)),
            },
            spots: measured(name, 0, spots).spots.into(),
        }
    }

    fn check(values: Vec<Result<Measured, NotMeasured>>, judged: &[i64], rejected: &[&str]) {
        check_of(None, &station(), values, judged, rejected);
    }

    /// What of a reading is judged, and what is rejected: place and class, and the characteristic that the piece lacks.
    fn check_of(
        product: Option<&str>,
        station: &Station,
        values: Vec<Result<Measured, NotMeasured>>,
        judged: &[i64],
        rejected: &[&str],
    ) {
        let reading = Reading {
            input: InputId::default(),
            station: station.name.clone(),
            piece: None,
            at: None,
            at_again: None,
            strata: Vec::new(),
            product: None,
            gauge: None,
            lap: None,
            attempt: 1,
            values,
            faults: Vec::new(),
        };
        let product = product.map(ProductName::from);
        let Sifted { values, faults } = sift(&reading, station, product.as_ref());
        let counts: Vec<i64> = values.iter().map(|(_, measured)| measured.count).collect();
        let said = |fault: &Fault| {
            let lacks = fault
                .characteristic
                .as_ref()
                .map_or("-", CharacteristicName::as_str);
            format!("{} {} {lacks}", fault.at, fault.reason)
        };
        assert_eq!(counts, judged);
        assert_eq!(faults.iter().map(said).collect::<Vec<String>>(), rejected);
    }

    #[test]
    fn what_cannot_be_true_is_rejected_in_the_order_of_the_message() {
        let at_the_ends = [2_000, 30_000].map(|count| Ok(measured("mass", count, &[])));
        check(at_the_ends.into(), &[2_000, 30_000], &[]);
        check(
            vec![
                Ok(measured("mass", 30_001, &[])),
                Err(unread("any", "", &[])),
                Ok(measured("any", i64::MIN, &[])),
                Ok(measured("load", 101, &[])),
                Ok(measured("mass", 1_999, &[])),
            ],
            &[i64::MIN],
            &[
                "/values/mass implausible mass",
                "/values/any unreadable any",
                "/values/load implausible -",
                "/values/mass implausible mass",
            ],
        );
    }

    #[test]
    fn what_can_be_true_of_one_product_cannot_of_another() {
        let mut station = station();
        let bands = [("gp-24", (2_000, 20_000)), ("gp-28", (15_000, 30_000))];
        let bands = bands.map(|(product, plausible)| (product.into(), band(Some(plausible))));
        station.characteristics[0].aims = ByProduct::Each(BTreeMap::from(bands));
        let check = |product, count, rejected: &[&str]| {
            let judged: &[i64] = if rejected.is_empty() { &[count] } else { &[] };
            let values = vec![Ok(measured("mass", count, &[]))];
            check_of(product, &station, values, judged, rejected);
        };
        let rejected = ["/values/mass implausible mass"];
        check(Some("gp-24"), 14_999, &[]);
        check(Some("gp-28"), 14_999, &rejected);
        check(Some("gp-24"), 20_001, &rejected);
        check(Some("gp-28"), 20_001, &[]);
        // Of what nobody told, or nobody declares, it can be either.
        for product in [None, Some("gp-32")] {
            check(product, 2_000, &[]);
            check(product, 30_000, &[]);
            check(product, 1_999, &rejected);
            check(product, 30_001, &rejected);
        }
        let band = |product: Option<&str>| {
            let product = product.map(ProductName::from);
            station.characteristics[0].plausible(product.as_ref())
        };
        assert_eq!(band(Some("gp-28")), Some((15_000, 30_000)));
        assert_eq!(band(None), Some((2_000, 30_000)));
    }

    #[test]
    fn each_spot_must_be_true_and_the_first_fault_is_told() {
        let spots = |spots: &[i64]| vec![Ok(measured("mass", 14_500, spots))];
        check(spots(&[14_000, 15_000]), &[14_500], &[]);
        check(
            spots(&[1, 15_000, 2]),
            &[],
            &["/values/mass/spots/0 implausible mass"],
        );
        check(
            vec![Err(unread("mass", "/spots/2", &[14_000, 1]))],
            &[],
            &["/values/mass/spots/1 implausible mass"],
        );
        check(
            vec![Err(unread("mass", "/spots/1", &[14_000]))],
            &[],
            &["/values/mass/spots/1 unreadable mass"],
        );
    }
}
