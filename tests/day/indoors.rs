//! The line of the played plant without a bus: the daemon's own intake, derivation and messages, asked directly.
//!
//! Deliberately not here: batches, confirmations and connections, which are the running daemon's.

use crate::derive::memory::Memory;
use crate::derive::world::{World, incoming, rule_files, texts};
use crate::support::repository;
use chargehand::run::{Intake, Receipts, Written, again, messages};
use chargehand_core::{Outcome, StationName, Timestamp};
use chargehand_demo::{
    Observation, Observed, Respondent, Score, Script, plant_description, rehearse,
};
use chargehand_derive::Derivation;
use chargehand_derive::record::Body;
use chargehand_ledger::{Batch, Store as _};
use chargehand_wire::{Beat, LineStatus, Mode, Publish, Status};
use std::collections::BTreeMap;

/// A line at work.
pub struct Indoors {
    derivation: Derivation,
    pub store: Memory,
    /// The `seq` of each gate's state as it was said last.
    gates: BTreeMap<StationName, u64>,
    beats: u64,
    /// What was taken in since the last beats.
    taken: Receipts,
}

/// A day that was played.
pub struct Rehearsed {
    pub score: Score,
    pub store: Memory,
}

/// Plays a day; every question of it is answered, or the test ends here.
pub fn play(script: &Script) -> Rehearsed {
    let first = script.instants().next().expect("a day has instants");
    let mut line = Indoors::open(Timestamp(first));
    let observed: Observed =
        rehearse(script, &mut line).unwrap_or_else(|fault| panic!("seed {}: {fault}", script.seed));
    Rehearsed {
        score: Score::of(&observed, script),
        store: line.store,
    }
}

impl Indoors {
    fn open(now: Timestamp) -> Self {
        let rules = rule_files(&repository("rules"));
        let rules: Vec<(&str, &str)> = rules
            .iter()
            .map(|(file, text)| (file.as_str(), text.as_str()))
            .collect();
        let mut world = World::new(texts(plant_description(), &rules), now);
        world.other(now, &Body::Session);
        Self {
            derivation: world.derivation,
            store: world.store,
            gates: BTreeMap::new(),
            beats: 0,
            taken: Receipts::default(),
        }
    }

    fn commit(&mut self, batch: &Intake) -> Vec<Publish> {
        let before = self.store.head().seq;
        self.store
            .append(Batch {
                entries: batch.entries.clone().into(),
                ..Batch::default()
            })
            .unwrap_or_else(|fault| panic!("{fault}"));
        let mut publishes = Vec::new();
        for (index, outcomes) in batch.outcomes.iter().enumerate() {
            let entry = &batch.entries[index];
            let written = Written {
                seq: before + 1 + index as u64,
                at: Timestamp(entry.at_us),
                observing: &self.derivation.line().state().observing,
                message: batch.messages[index].as_ref(),
                payload: entry.payload.as_deref().unwrap_or_default(),
            };
            publishes.extend(messages(self.derivation.wire(), &written, outcomes));
        }
        for row in &batch.again {
            let (wire, line) = (self.derivation.wire(), self.derivation.line());
            let answers = again(wire, line, &self.store, row, line.state().now);
            publishes.extend(answers.expect("memory can be read"));
        }
        publishes
    }

    /// Gates that stand otherwise than they were said to, or all of them.
    fn gates(&mut self, now: Timestamp, all: bool) -> Vec<Publish> {
        let (line, wire) = (self.derivation.line(), self.derivation.wire());
        let mut publishes = Vec::new();
        for station in &self.derivation.plant().stations {
            let name = station.name.as_str();
            let view = line.hold_view(name).filter(|_| station.gate.is_some());
            let Some(view) = view else { continue };
            let said = self.gates.insert(station.name.clone(), view.seq);
            if all || said != Some(view.seq) {
                publishes.push(wire.hold(name, &view, now));
            }
        }
        publishes
    }

    /// What people are told, as it changes.
    fn notices(&self, batch: &Intake, now: Timestamp) -> Vec<Publish> {
        let (state, wire) = (self.derivation.line().state(), self.derivation.wire());
        let mut publishes = Vec::new();
        let mut open = false;
        for outcome in batch.outcomes.iter().flatten() {
            open |= matches!(outcome, Outcome::Hold(_) | Outcome::Freed(_));
            match outcome {
                Outcome::Alarm(alarm) => publishes.push(wire.alarm(alarm, now)),
                Outcome::Cleared { alarm } => {
                    publishes.push(wire.alarm_cleared(alarm.as_str(), state.seq, now));
                }
                Outcome::Advisory(advisory) => publishes.push(wire.advisory(advisory, now)),
                _ => {}
            }
        }
        if open {
            publishes.push(wire.open(state, now));
        }
        publishes
    }

    fn said(&mut self, batch: &Intake, now: Timestamp) -> Vec<Observation> {
        let mut publishes = self.commit(batch);
        publishes.extend(self.gates(now, false));
        publishes.extend(self.notices(batch, now));
        publishes.into_iter().map(on_the_bus).collect()
    }
}

fn on_the_bus(publish: Publish) -> Observation {
    Observation {
        topic: publish.topic,
        payload: publish.payload,
        retained: false,
    }
}

impl Respondent for Indoors {
    fn tick(&mut self, now_us: i64) -> Vec<Observation> {
        let now = Timestamp(now_us);
        let mut batch = Intake::default();
        let due = self.derivation.line().poll_timeout();
        if due.is_some_and(|due| due <= now) {
            batch.take(&mut self.derivation, &self.store, now, &Body::Due);
        }
        let mut said = self.said(&batch, now);
        let mut publishes = self.gates(now, true);
        self.beats += 1;
        let (state, wire) = (self.derivation.line().state(), self.derivation.wire());
        if self.beats == 1 {
            publishes.push(wire.status(
                &LineStatus::of(state, self.derivation.plant()),
                &Status {
                    mode: Mode::Online,
                    why: None,
                    seq: state.seq,
                    head: "",
                    waits: None,
                    at: now,
                },
            ));
        }
        for station in &self.derivation.plant().stations {
            let taken = self.taken.take(station.name.as_str());
            publishes.extend(wire.beats(&Beat {
                station: station.name.as_str(),
                newest: state.taken.get(&station.name),
                readings: taken.readings(),
                events: taken.events(),
                count: self.beats,
                seq: state.seq,
                at: now,
            }));
        }
        said.extend(publishes.into_iter().map(on_the_bus));
        said
    }

    fn take(&mut self, now_us: i64, topic: &str, payload: &[u8]) -> Vec<Observation> {
        let now = Timestamp(now_us);
        let mut batch = Intake::default();
        batch
            .take_message(
                &mut self.derivation,
                &self.store,
                now,
                incoming(topic, payload),
            )
            .expect("memory can be read");
        for receipt in std::mem::take(&mut batch.taken) {
            self.taken.add(receipt);
        }
        self.said(&batch, now)
    }
}
