//! What must be true once faults have stopped.

use super::World;
use crate::simulation::bus::SECOND;
use crate::simulation::promises::{Broken, Promises, want};

impl World {
    pub(super) fn settled(&mut self) -> Result<(), Broken> {
        for station in &self.stations {
            let left = station.unanswered();
            want!(
                left.is_empty(),
                "{}: {left:?} were never answered; connected are {:?}, the daemon on {:?}, last there {} s ago",
                station.name,
                self.online,
                self.life.as_ref().map(|life| life.generation),
                (self.now() - self.alive) / SECOND
            );
        }
        for station in &self.stations {
            let lost = self.promises.missing(&station.sent);
            want!(
                lost == 0,
                "{} messages of {} are in no record",
                lost,
                station.name
            );
        }
        let left = self.people.unanswered();
        want!(left.is_empty(), "{left:?} were never answered");
        want!(self.life.is_some(), "the daemon is not there");
        let promises = &self.promises;
        want!(
            promises.twice.is_empty(),
            "judged twice: {:?}",
            promises.twice
        );
        for (input, times) in &promises.decisions {
            want!(*times == 1, "{input} was decided {times} times");
        }
        for (request, answers) in &promises.replies {
            want!(
                answers.len() == 1,
                "{request} was answered {answers:?} in the ledger"
            );
        }
        self.every_decision_heard()?;
        self.derived_from_the_beginning()
    }

    /// Where the broker keeps its word, the present decision of every piece was heard where it is to be obeyed.
    fn every_decision_heard(&mut self) -> Result<(), Broken> {
        if !self.faults.faithful() {
            return Ok(());
        }
        self.tally.faithful += 1;
        for (piece, id) in &self.promises.present {
            let heard = self
                .stations
                .iter()
                .any(|station| station.heard.contains(id));
            let decided = &self.promises.decided[id];
            want!(heard, "nobody heard {id}: {piece} is to {}", decided.word);
        }
        Ok(())
    }

    fn derived_from_the_beginning(&self) -> Result<(), Broken> {
        let life = self.life.as_ref().expect("looked above");
        let mut whole = Promises::new();
        whole.follow(life.worker().store(), &self.last)?;
        whole.same(life.worker().derivation().line().state())
    }
}
