//! Pieces that leave the line in the replay only: sent to the melt, to scrap, to rework. What the recording goes on
//! to tell of them did not happen here, so it is neither judged nor compared.

use chargehand_core::{Input, Outcome, PieceName, Plant, SourceKind, StationName, Word};
use chargehand_wire::Row;
use std::collections::HashMap;

/// Such pieces, and the place of the gate where each left.
#[derive(Debug, Default)]
pub(super) struct Gone(HashMap<PieceName, i64>);

impl Gone {
    /// Takes in a record of which the two runs say something else.
    pub(super) fn follow(&mut self, plant: &Plant, recorded: &[Outcome], derived: &[Outcome]) {
        let route = |outcome: &Outcome| match outcome {
            Outcome::Disposition(said) => {
                Some((said.piece.clone(), said.word, said.act_at.clone()))
            }
            _ => None,
        };
        for (piece, word, act_at) in derived.iter().filter_map(route) {
            let gate = act_at.as_ref().and_then(|gate| place(plant, gate));
            match gate {
                Some(place) if word.is_route() && !says(recorded, &piece, word) => {
                    self.0.insert(piece, place);
                }
                _ => {
                    self.0.remove(&piece);
                }
            }
        }
    }

    /// How many there are.
    pub(super) fn count(&self) -> usize {
        self.0.len()
    }

    /// Whether a piece is gone.
    pub(super) fn has(&self, piece: &PieceName) -> bool {
        self.0.contains_key(piece)
    }

    /// Whether a row tells of a piece at a station that it does not come to here.
    pub(super) fn missed(&self, plant: &Plant, row: &Row) -> bool {
        let told = matches!(row.source.kind, SourceKind::Reading | SourceKind::Event)
            && !matches!(row.input, Input::Due);
        let left = row.piece.as_ref().and_then(|piece| self.0.get(piece));
        let here = row
            .source
            .station
            .as_ref()
            .and_then(|station| place_of(plant, station));
        matches!((left, here), (Some(left), Some(here)) if told && here > *left)
    }
}

fn says(outcomes: &[Outcome], piece: &PieceName, word: Word) -> bool {
    outcomes.iter().any(|outcome| {
        matches!(outcome, Outcome::Disposition(said) if said.piece == *piece && said.word == word)
    })
}

fn place(plant: &Plant, gate: &StationName) -> Option<i64> {
    let station = plant.station(gate.as_str())?;
    station
        .gate
        .as_ref()
        .map(|gate| gate.place.max(station.place))
}

fn place_of(plant: &Plant, station: &StationName) -> Option<i64> {
    plant.station(station.as_str()).map(|station| station.place)
}
