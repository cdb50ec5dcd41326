//! Which routes are legal in which condition of the material. Asked after the rules, in every mode.

use crate::plant::{Plant, Station, Word};

/// Whether the route may be taken at the station, where it is done.
#[must_use]
pub(crate) fn legal(plant: &Plant, station: &Station, word: Word) -> bool {
    if !word.is_route() {
        return true;
    }
    plant
        .routes_legal
        .get(&station.condition)
        .is_some_and(|routes| routes.contains(&word))
}
