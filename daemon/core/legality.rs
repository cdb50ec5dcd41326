//! Which routes are legal in which condition of the material. Asked after the rules, in every mode.

use crate::belt::is_beyond;
use crate::plant::{Plant, Station, Word};

/// The station whose condition forbids that the route is taken at `station`, if one does. A piece does not become bare
/// and dry again by a station that says so: a remelt must be legal at every station before as well.
#[must_use]
pub(crate) fn forbids<'p>(
    plant: &'p Plant,
    station: &'p Station,
    word: Word,
) -> Option<&'p Station> {
    if !word.is_route() {
        return None;
    }
    let illegal = |station: &&Station| {
        let routes = plant.routes_legal.get(&station.condition);
        !routes.is_some_and(|routes| routes.contains(&word))
    };
    let before = plant.stations.iter().filter(|known| {
        word == Word::Remelt && !is_beyond(known, station.place, Some(station.condition))
    });
    core::iter::once(station).chain(before).find(illegal)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plant::{Condition, LineDescription};
    use crate::time::Span;
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
        }
    }

    #[test]
    fn what_was_machined_is_bare_and_dry_nowhere_after() {
        let usual = [
            (Condition::AsCast, [Word::Remelt, Word::Scrap]),
            (Condition::Machined, [Word::Rework, Word::Scrap]),
        ];
        let plant = Plant {
            line: LineDescription {
                base: "a/b/c".into(),
                zone: "UTC".into(),
                rules: "rules".into(),
                takt: None,
                skew: Span::from_secs(1),
                quiet: Span::from_secs(1),
                valid: Span::from_secs(1),
                pieces_kept: 1,
            },
            strata: Vec::new(),
            stations: Vec::from([
                station("s20", 0, Condition::AsCast),
                station("s30", 4, Condition::AsCast),
                station("s35", 4, Condition::Machined),
                station("s45", 8, Condition::AsCast),
            ]),
            gauges: Vec::new(),
            roles: Vec::new(),
            owners: crate::plant::Owners::default(),
            classes: Vec::new(),
            routes_legal: usual
                .into_iter()
                .map(|(condition, routes)| (condition, routes.into()))
                .collect(),
            lanes: BTreeMap::new(),
            without_effect: Vec::new(),
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
            let station = plant.station(at).expect("declared above");
            let found = forbids(&plant, station, word).map(|found| found.name.as_str());
            assert_eq!(found, expect, "{word} at {at}");
        }
    }
}
