//! What the line does with its counters and charts: it feeds them before any rule is asked, starts them again when a person
//! releases or closes what came of them, takes back what a bad gauge told them, and calls people where one is blind.

use crate::alarm::{Occurrence, Owner, Priority};
use crate::codes;
use crate::hold::{Hold, HoldOf, Origin};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{GaugeName, PieceId, RuleName, StratumName};
use crate::plant::{Plant, Station};
use crate::speaker::Duty;
use crate::state::State;
use crate::watch::Declaration;
use crate::watches::{Blind, Carried, ChartNow, Fed, Released, Sample, Views};
use crate::words::Words;
use alloc::format;
use alloc::vec::Vec;

impl<J: Judge> Line<J> {
    /// Feeds a value of the piece to every watch that looks at it.
    pub(crate) fn feed(&mut self, id: PieceId, sample: &Sample<'_>) -> Views {
        let State {
            watches,
            pieces,
            seq,
            ..
        } = &mut self.state;
        let declarations = self.judge.declarations();
        let Fed {
            views,
            untold,
            blind,
        } = watches.feed(declarations, &pieces[id], sample, *seq);
        for (rule, per) in untold {
            self.raise_untold(&rule, &per, (id, sample.station));
        }
        for blind in blind {
            self.raise_blind(&blind, (id, sample.station));
        }
        views
    }

    fn raise_blind(&mut self, blind: &Blind, (id, station): (PieceId, &Station)) {
        let Blind {
            rule,
            name: watch,
            skipped,
        } = blind;
        let (ends, name) = (self.quiet(), self.name(id).clone());
        self.raise(Occurrence {
            id: format!("late-{rule}"),
            priority: Priority::Low,
            cause: Duty::Evidence.into(),
            text: codes::values_late(station.name.as_str(), *skipped, watch),
            consequence: codes::chart_sees_nothing(),
            response: codes::find_who_is_late(),
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends,
        });
    }

    fn raise_untold(
        &mut self,
        rule: &RuleName,
        per: &StratumName,
        (id, station): (PieceId, &Station),
    ) {
        let (ends, name) = (self.quiet(), self.name(id).clone());
        self.raise(Occurrence {
            id: format!("stratum-{rule}"),
            priority: Priority::Low,
            cause: Duty::Evidence.into(),
            text: codes::stratum_untold(station.name.as_str(), per.as_str(), name.as_str()),
            consequence: codes::counted_with_the_unknown(),
            response: codes::let_a_station_tell(),
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends,
        });
    }

    /// Brings what is kept in line with what is declared now.
    pub(crate) fn carry_over(&mut self) -> Carried {
        let State { watches, seq, .. } = &mut self.state;
        watches.carry_over(self.judge.declarations(), *seq)
    }

    /// A person released a hold; of those that are wider than a piece only the last of one origin starts anything again.
    pub(crate) fn released(&mut self, hold: &Hold<PieceId>) {
        let declarations = self.judge.declarations();
        if !declarations
            .iter()
            .any(|declared| hold.rule.is_rule(&declared.rule))
        {
            return;
        }
        let same = |other: &Hold<PieceId>| other.rule == hold.rule && other.origin == hold.origin;
        let State {
            watches,
            pieces,
            holds,
            seq,
            ..
        } = &mut self.state;
        let of = match &hold.of {
            HoldOf::Piece(id) => Released::Piece(pieces.get(*id)),
            HoldOf::Station(_) | HoldOf::Stratum(..) if holds.of_many().any(same) => return,
            HoldOf::Station(_) | HoldOf::Stratum(..) => Released::Wider,
        };
        let plant = &self.plant;
        let gated = |declared: &Declaration| {
            let station = plant.station(declared.station.as_str());
            station.is_some_and(|station| plant.gate_for(station).is_some())
        };
        let again = watches.released(declarations, (&hold.rule, &hold.origin), &of, gated, *seq);
        self.note_again(again, &codes::was_released(hold.id.as_str()));
    }

    /// A person closed an advisory that the rule gave.
    pub(crate) fn closed(&mut self, rule: &RuleName, of: &Origin, advisory: &str) {
        let State { watches, seq, .. } = &mut self.state;
        let again = watches.closed(self.judge.declarations(), (rule, of), *seq);
        self.note_again(again, &codes::was_closed(advisory));
    }

    fn note_again(&mut self, labels: Vec<Words>, why: &Words) {
        for label in labels {
            self.note(codes::starts_again(label, why), None);
        }
    }

    /// A gauge passed a check: what charts took of it may be believed.
    pub(crate) fn believe_charts(&mut self, gauge: &GaugeName) {
        let plant = &self.plant;
        let watches = &mut self.state.watches;
        watches.believe(self.judge.declarations(), |declared| {
            measures(plant, gauge, declared)
        });
    }

    /// A gauge failed a check: charts go back to where they were at the last good one.
    pub(crate) fn take_back_charts(&mut self, gauge: &GaugeName) {
        let plant = &self.plant;
        let watches = &mut self.state.watches;
        let gone_back = watches.take_back(self.judge.declarations(), |declared| {
            measures(plant, gauge, declared)
        });
        if !gone_back.is_empty() {
            self.note(codes::charts_went_back(gauge.as_str(), gone_back), None);
        }
    }

    /// Where the chart of a rule stands that has just one for the piece.
    pub(crate) fn chart_of(&self, rule: &RuleName, piece: PieceId) -> Option<ChartNow> {
        let State {
            watches, pieces, ..
        } = &self.state;
        watches.chart_of(self.judge.declarations(), rule, &pieces[piece])
    }
}

/// Whether what is declared looks at what the gauge measures.
fn measures(plant: &Plant, gauge: &GaugeName, declared: &Declaration) -> bool {
    let station = plant.station(declared.station.as_str());
    station
        .and_then(|station| station.characteristic(declared.characteristic.as_str()))
        .is_some_and(|characteristic| characteristic.gauge.as_ref() == Some(gauge))
}

#[cfg(test)]
mod tests;
