//! Pieces in flight that the line has no history of, or only a part of it: a person takes them over, and says with that
//! that what is missing of them so far is not wanted. What is measured later counts as ever, and no hold ends by it.

use crate::codes;
use crate::commanding::at;
use crate::contract::RequestVerb;
use crate::evidence::Says;
use crate::hold::HoldOf;
use crate::input::{Adopt, Request};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{PieceId, PieceName, RoleName};
use crate::outcome::{Adopted, Freed, Outcome, ReplyResult};
use crate::plant::{Of, Plant, Station};
use crate::requests::{Answer, in_role};
use crate::settling::Came;
use crate::words::Words;
use alloc::collections::BTreeSet;
use alloc::sync::Arc;
use alloc::vec::Vec;

/// So many names that nobody knows are told in the answer.
const NAMED_MAX: usize = 5;

impl<J: Judge> Line<J> {
    pub(crate) fn adopt(&mut self, request: &Request, asked: &Adopt) -> Answer {
        let plant = Arc::clone(&self.plant);
        let role = match in_role(&plant, request, RequestVerb::Adopt) {
            Ok(role) => role,
            Err(text) => return Answer::refused(text),
        };
        let place = asked.of.as_ref().map(|of| at(&plant, of)).transpose();
        let station = match place {
            Ok(station) => station.flatten(),
            Err(text) => return Answer::refused(text),
        };
        let those = match (&asked.pieces, station) {
            (Some(pieces), station) => match self.all_named(pieces, station) {
                Ok(those) => those,
                Err(text) => return Answer::refused(text),
            },
            (None, Some(station)) => self.all_at(station),
            (None, None) => plant
                .stations
                .iter()
                .flat_map(|it| self.all_at(it))
                .collect(),
        };
        let count = those.len();
        // First the gates: a piece that is answered at one that is held would be held again.
        if asked.pieces.is_none() {
            let there = plant.stations.iter();
            for at in there.filter(|at| station.is_none_or(|only| only.name == at.name)) {
                self.end_history(&HoldOf::Station(at.name.clone()), request, role);
            }
        }
        for (name, station) in those {
            self.adopt_one(&name, station, request, role);
        }
        self.end_overtaken();
        let text = match count {
            0 => codes::nothing_to_adopt(),
            count => codes::adopted_so_many(count),
        };
        Answer::of(ReplyResult::Done, text)
    }

    /// Named pieces, each with the station at which it is born where nobody has named it to us.
    fn all_named<'p>(
        &self,
        names: &[PieceName],
        station: Option<&'p Station>,
    ) -> Result<Vec<(PieceName, Option<&'p Station>)>, Words> {
        let unknown =
            |name: &&PieceName| station.is_none() && self.state.pieces.id(name.as_str()).is_none();
        let strange: Vec<&str> = names.iter().filter(unknown).map(|it| it.as_str()).collect();
        if strange.is_empty() {
            let mut once = BTreeSet::new();
            let names = names.iter().filter(|name| once.insert(*name));
            return Ok(names.map(|name| (name.clone(), station)).collect());
        }
        let count = strange.len();
        let named: Vec<&str> = strange.into_iter().take(NAMED_MAX).collect();
        Err(codes::adopt_where(count, named.join(", ")))
    }

    /// All that stand at a station with something missing, and all that were named there and are nobody's.
    fn all_at<'p>(&self, station: &'p Station) -> Vec<(PieceName, Option<&'p Station>)> {
        let pieces = &self.state.pieces;
        let late = is_measured_before(&self.plant, station);
        let lacks = |id: &PieceId| {
            let piece = &pieces[*id];
            let evidence = &piece.evidence;
            *piece.at.seen() == station.name
                && (!evidence.gaps().is_empty() || (evidence.is_unmeasured() && late))
        };
        let known = pieces.in_order().filter(lacks);
        let known = known.map(|id| pieces[id].name().clone());
        let strange = pieces.strangers_at(&station.name);
        known
            .chain(strange)
            .map(|name| (name, Some(station)))
            .collect()
    }

    /// What is taken over is not held any more for what the ledger lacks.
    fn end_history(&mut self, of: &HoldOf<PieceId>, request: &Request, role: &RoleName) {
        for id in self.holds_of_history(of) {
            let hold = self.state.holds.get(&id).expect("found just now");
            let said = self.said(hold);
            self.free(Freed {
                hold: said.id,
                of: said.of,
                by: request.by.clone(),
                second: None,
                role: role.clone(),
                reason: request.reason.clone(),
            });
        }
    }

    fn adopt_one(
        &mut self,
        name: &PieceName,
        station: Option<&Station>,
        request: &Request,
        role: &RoleName,
    ) {
        let plant = Arc::clone(&self.plant);
        let id = match (self.state.pieces.id(name.as_str()), station) {
            (Some(id), _) => id,
            (None, Some(station)) => self.bear(name, station, None),
            (None, None) => return,
        };
        self.end_history(&HoldOf::Piece(id), request, role);
        let seen = self.state.pieces[id].at.seen().clone();
        let here = plant.station(seen.as_str());
        let unmeasured = here.is_some_and(|here| is_measured_before(&plant, here));
        self.learn(id, Says::Adopted { unmeasured });
        self.outcomes.push(Outcome::Adopted(Adopted {
            piece: self.name(id).clone(),
            station: seen.clone(),
            by: request.by.clone(),
            role: role.clone(),
            reason: request.reason.clone(),
        }));
        match here {
            Some(here) => self.answer(id, here, Came::ToStation, false, &request.input),
            None => {
                self.announce(id, &request.input);
            }
        }
    }
}

/// Whether a piece that stands there could have been measured: one that has no gauge behind it is still to be.
fn is_measured_before(plant: &Plant, station: &Station) -> bool {
    let mut before = plant.stations.iter().filter(|it| it.place <= station.place);
    before.any(|it| it.characteristics.iter().any(|known| known.of == Of::Piece))
}
