//! A ledger that is not the newest of its line: the bus has seen records that it lacks, as after a copy was put back. What
//! was decided in them is not known, so nothing passes until a person takes the line over.

use crate::alarm::{Occurrence, Owner, Priority};
use crate::codes;
use crate::evidence::{Gap, Says};
use crate::hold::{HoldOf, Origin, Wish};
use crate::input::BusHead;
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{HoldId, InputId, PieceId, StationName};
use crate::observing::Stance;
use crate::settling::default_class;
use crate::speaker::Duty;
use alloc::sync::Arc;
use alloc::vec::Vec;

const ALARM: &str = "ledger-overtaken";

impl<J: Judge> Line<J> {
    /// Places in the ledger go on above all that was seen; so do the names of holds. Whatever can still be stopped lacks
    /// its history, and every gate is held.
    pub(crate) fn on_overtaken(&mut self, from: u64, bus: &BusHead) {
        let plant = Arc::clone(&self.plant);
        // That it only observed may be as old as the ledger: who is commanded no more would let pass.
        let observed: Vec<StationName> = self.state.observing.stations().cloned().collect();
        if !observed.is_empty() {
            let observed: Vec<&StationName> = observed.iter().collect();
            self.take_stance(&observed, Stance::Commanded);
        }
        self.state.holds.leave_out(self.state.seq - from);
        let text = codes::ledger_overtaken(from, bus.seq);
        let ahead = |id: &PieceId| self.state.pieces[*id].at.next_gate(&plant).is_some();
        let mut lack: Vec<PieceId> = self.state.pieces.in_order().collect();
        lack.retain(ahead);
        for id in lack {
            let at = &self.state.pieces[id].at;
            let gap = Gap {
                station: at.seen().clone(),
                characteristic: None,
                lap: at.lap(),
                attempt: 0,
                anywhere: false,
                duty: Duty::History,
                text: codes::history_lost(bus.seq),
            };
            self.learn(id, Says::Missing(gap));
        }
        let input = InputId::from("start");
        for station in plant.stations.iter().filter(|it| it.gate.is_some()) {
            let wish = Wish {
                rule: Duty::History.into(),
                class: default_class(),
                origin: Origin::History(self.state.seq),
                reason: text.clone(),
            };
            let hold = self.open_hold(HoldOf::Station(station.name.clone()), wish);
            let id = hold.id().clone();
            self.cover_standing(&id, None, &input);
        }
        let base = plant.line.base.clone();
        let ends = self.quiet();
        self.raise(Occurrence {
            id: ALARM.into(),
            priority: Priority::High,
            cause: Duty::History.into(),
            text,
            consequence: codes::all_held_until_adopted(),
            response: codes::restore_or_adopt(),
            of: ("line", &base),
            apart: None,
            piece: None,
            owner: Owner::Automation,
            ends,
        });
    }

    /// Nothing is held for such a start any more.
    pub(crate) fn end_overtaken(&mut self) {
        let history = Duty::History.into();
        let held = self.state.holds.iter().any(|hold| hold.rule == history);
        if !held {
            self.clear_one(ALARM);
        }
    }

    /// Holds of it that are there because of such a start.
    pub(crate) fn holds_of_history(&self, of: &HoldOf<PieceId>) -> Vec<HoldId> {
        let holds = &self.state.holds;
        let (piece, gate) = match of {
            HoldOf::Piece(id) => (Some(holds.of_piece(*id)), None),
            HoldOf::Station(station) => (None, Some(holds.wide(Some(station)))),
            HoldOf::Stratum(..) => (None, None),
        };
        let of_it = piece.into_iter().flatten();
        let of_it = of_it.chain(gate.into_iter().flatten());
        let history = Duty::History.into();
        of_it
            .filter(|hold| hold.rule == history)
            .map(|hold| hold.id.clone())
            .collect()
    }
}
