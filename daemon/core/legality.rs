//! Which routes are legal in which condition of the material. Asked after the rules, in every mode.

use crate::names::ProductName;
use crate::plant::{Plant, Station, Word};
use crate::whereabouts::is_beyond;

/// The station whose condition forbids that the route is taken at `station` with a piece of that product, if one does. A piece does not become bare
/// and dry again by a station that says so: a remelt must be legal at every station before as well.
#[must_use]
pub(crate) fn forbids<'p>(
    plant: &'p Plant,
    station: &'p Station,
    word: Word,
    product: Option<&ProductName>,
) -> Option<&'p Station> {
    if !word.is_route() {
        return None;
    }
    let illegal = |station: &&Station| !plant.is_legal(word, station.condition, product);
    let before = plant.stations.iter().filter(|known| {
        word == Word::Remelt && !is_beyond(known, station.place, Some(station.condition))
    });
    core::iter::once(station).chain(before).find(illegal)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::Condition;
    use crate::product::ByProduct;
    use alloc::collections::BTreeMap;
    use alloc::vec::Vec;

    fn station(name: &str, place: i64, condition: Condition) -> Station {
        Station {
            name: name.into(),
            place,
            condition,
            gate: None,
            characteristics: Vec::new(),
            topics: Vec::new(),
            observe: false,
        }
    }

    #[test]
    fn what_was_machined_is_bare_and_dry_nowhere_after() {
        let plant = Plant {
            products: ["gp-24", "gp-28"].map(ProductName::from).into(),
            routes_legal: BTreeMap::from([
                (
                    Condition::AsCast,
                    ByProduct::All([Word::Remelt, Word::Scrap].into()),
                ),
                (
                    Condition::Machined,
                    ByProduct::Each(BTreeMap::from([
                        ("gp-24".into(), [Word::Rework, Word::Scrap].into()),
                        ("gp-28".into(), [Word::Rework].into()),
                    ])),
                ),
            ]),
            ..Plant::of_stations(Vec::from([
                station("s20", 0, Condition::AsCast),
                station("s30", 4, Condition::AsCast),
                station("s35", 4, Condition::Machined),
                station("s45", 8, Condition::AsCast),
            ]))
        };
        let check = |at: &str, word, product: Option<&str>, expect| {
            let station = plant.station(at).expect("declared above");
            let product = product.map(ProductName::from);
            let found = forbids(&plant, station, word, product.as_ref());
            let found = found.map(|found| found.name.as_str());
            assert_eq!(found, expect, "{word} at {at} of {product:?}");
        };
        for (at, word, expect) in [
            ("s30", Word::Remelt, None),
            ("s35", Word::Remelt, Some("s35")),
            ("s45", Word::Remelt, Some("s35")),
            ("s45", Word::Scrap, None),
            ("s45", Word::Rework, Some("s45")),
            ("s35", Word::Rework, None),
            ("s35", Word::Hold, None),
        ] {
            check(at, word, Some("gp-24"), expect);
        }
        // Of an unknown product only what is legal for all is legal.
        for (product, expect) in [
            (Some("gp-24"), None),
            (Some("gp-28"), Some("s35")),
            (Some("gp-32"), Some("s35")),
            (None, Some("s35")),
        ] {
            check("s35", Word::Scrap, product, expect);
            check("s35", Word::Rework, product, None);
            check("s30", Word::Scrap, product, None);
        }
    }
}
