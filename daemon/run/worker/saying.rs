//! What a line says: answers in ledger order, states as last flushed, beats, its own status.

use super::{BATCH_MAX, BEAT, Look, SNAPSHOTS_KEPT, STATE, WAIT, Worker};
use crate::bus::{self, AckToken};
use crate::health::Gauges;
use crate::run::faults::LineFault;
use crate::run::intake::Intake;
use crate::run::keeping;
use crate::run::outbox::{self, Written};
use crate::run::states::Pace;
use chargehand_core::{Span, Timestamp};
use chargehand_ledger::{Batch, Entry, StoreError};
use chargehand_wire::{Beat, Mode, Publish, Status};
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::time::{Duration, Instant};

/// A beat that is late by so much does not wait for the end of the round.
const LATE: Span = Span::from_millis(500);
/// After a lost session, what was published in the last minute goes out again.
const REPEAT: Span = Span::from_secs(60);
/// How long an orderly stop waits for the broker to confirm.
const FAREWELL: Duration = Duration::from_secs(2);

/// What was last said of the daemon itself on this connection.
#[derive(Default)]
pub(super) struct Announced {
    head: u64,
    /// How many messages had been taken in when the head was said.
    head_after: u64,
    /// The line cannot keep up: how long messages wait.
    behind: Option<Span>,
    /// What the broker refused on this connection, and why.
    pub(super) refused: BTreeMap<String, String>,
    pub(super) status_stale: bool,
    /// Answers that reached no subscriber.
    pub(super) unheard: u64,
}

impl Worker {
    /// A new connection: resume behind what is confirmed; after a lost session further back.
    pub(super) fn greet(&mut self, generation: u64, now: Timestamp) -> Result<(), LineFault> {
        self.vitals.waits();
        let mut after = self.outbox.confirmed();
        if std::mem::take(&mut self.repeat) {
            after = after.min(self.last_before(Timestamp(self.left_at.0 - REPEAT.0))?);
        }
        self.outbox.connect(generation, after);
        self.echo.connect(now);
        let refused = std::mem::take(&mut self.said.refused);
        self.said = Announced {
            // Subscriptions are refused before a connection is greeted; answers were on the last one.
            refused: refused
                .into_iter()
                .filter(|(what, _)| what.starts_with("the subscription"))
                .collect(),
            behind: self.said.behind,
            ..Announced::default()
        };
        self.states.connected();
        self.vitals.set_connected(true);
        self.next_beat = now;
        Ok(())
    }

    /// The last record before a time, up to where the last connection ended. Times never run backwards in a ledger but
    /// where a person turned them back: before that is not looked, unless that was after the connection.
    fn last_before(&self, at: Timestamp) -> Result<u64, StoreError> {
        let turned_back = self.derivation.line().state().turned_back;
        let mut high = self.left_seq;
        let mut low = if turned_back <= high { turned_back } else { 0 };
        while low < high {
            let middle = low + (high - low).div_ceil(2);
            match self.store.record(middle)? {
                Some(record) if record.at_us < at.0 => low = middle,
                _ => high = middle - 1,
            }
        }
        Ok(low)
    }

    /// Hands over a batch's messages, unless older ones are still to be handed over from the ledger.
    pub(super) fn hand_over(
        &mut self,
        batch: &Intake,
        entries: &[Entry],
        before: u64,
    ) -> Result<(), LineFault> {
        if self.outbox.generation.is_none() || self.outbox.cursor() != before {
            return Ok(());
        }
        for (index, outcomes) in batch.outcomes.iter().enumerate() {
            let entry = &entries[index];
            let written = Written {
                seq: before + 1 + index as u64,
                at: Timestamp(entry.at_us),
                observing: &self.derivation.line().state().observing,
                message: batch.messages[index].as_ref(),
                payload: entry.payload.as_deref().unwrap_or_default(),
            };
            let publishes = outbox::messages(self.derivation.wire(), &written, outcomes);
            self.hand(written.seq, publishes)?;
        }
        Ok(())
    }

    /// Hands over a part of what the ledger holds and this connection has not been given.
    pub(super) fn catch_up(&mut self) -> Result<(), LineFault> {
        let head = self.store.head().seq;
        if self.outbox.generation.is_none() || self.outbox.cursor() >= head {
            return Ok(());
        }
        let from = self.outbox.cursor() + 1;
        let to = head.min(from + BATCH_MAX as u64 - 1);
        let mut found = Vec::new();
        self.vitals.waits();
        self.store.read(from, to, &mut |record| {
            let seq = record.seq;
            let publishes =
                outbox::stored_messages(self.derivation.wire(), self.derivation.line(), record);
            found.push((seq, publishes));
            ControlFlow::Continue(())
        })?;
        for (seq, publishes) in found {
            self.hand(seq, publishes)?;
        }
        // Places may be left out.
        if self.outbox.cursor() < to {
            self.outbox.handed(to, 0);
        }
        Ok(())
    }

    fn hand(&mut self, seq: u64, publishes: Vec<Publish>) -> Result<(), LineFault> {
        self.outbox.handed(
            seq,
            u32::try_from(publishes.len()).expect("a record has few messages"),
        );
        for publish in publishes {
            self.publish(publish, seq)?;
        }
        Ok(())
    }

    pub(super) fn answer_again(&mut self, batch: &Intake, now: Timestamp) -> Result<(), LineFault> {
        for again in &batch.again {
            let publishes = outbox::again(
                self.derivation.wire(),
                self.derivation.line(),
                &*self.store,
                again,
                now,
            )?;
            for publish in publishes {
                self.publish(publish, STATE)?;
            }
        }
        Ok(())
    }

    /// Hands a publish over, behind all that was before. A broker that is slower than the line makes it wait; its
    /// beats do not.
    fn publish(&mut self, publish: Publish, tag: u64) -> Result<(), LineFault> {
        let Some(generation) = self.outbox.generation else {
            return Ok(());
        };
        self.vitals.waits();
        loop {
            let has_room = self.link.has_room(Instant::now() + WAIT);
            let now = self.clock.now();
            if now >= self.next_beat + LATE {
                self.store.in_place()?;
                self.say_gates(now)?;
                self.beat(now)?;
            }
            if has_room {
                break;
            }
        }
        self.vitals.derives();
        Ok(self.link.publish(on_the_bus(publish, generation, tag))?)
    }

    /// Hands over what goes before all else and waits for nothing: what a gate depends on. What is said on one topic
    /// is all said so, or none of it.
    fn urgent(&self, publishes: Vec<Publish>) -> Result<(), LineFault> {
        let Some(generation) = self.outbox.generation else {
            return Ok(());
        };
        for publish in publishes {
            self.link.publish(bus::Publish {
                urgent: true,
                ..on_the_bus(publish, generation, STATE)
            })?;
        }
        Ok(())
    }

    /// Acknowledges what is durable, unless too many names wait for a beat: then beats come first, and where none
    /// can be said the broker waits, as nobody would learn of what it sends.
    pub(super) fn acknowledge(
        &mut self,
        tokens: Vec<AckToken>,
        now: Timestamp,
    ) -> Result<(), LineFault> {
        self.held_back.extend(tokens);
        if self.receipts.is_full() && self.outbox.generation.is_some() {
            self.say_gates(now)?;
            self.beat(now)?;
        }
        if !self.receipts.is_full() {
            self.link.ack(std::mem::take(&mut self.held_back));
        }
        Ok(())
    }

    /// Gates and alarms are said as soon as they change: stations and people act on them.
    pub(super) fn say_states(&mut self, now: Timestamp) -> Result<(), LineFault> {
        if self.outbox.generation.is_none() {
            return Ok(());
        }
        self.say_gates(now)?;
        self.say(Pace::AtOnce, now)
    }

    fn say_gates(&mut self, now: Timestamp) -> Result<(), LineFault> {
        let gates = self.states.say(Pace::Urgent, self.derivation.wire(), now);
        self.urgent(gates)
    }

    fn say(&mut self, pace: Pace, now: Timestamp) -> Result<(), LineFault> {
        for publish in self.states.say(pace, self.derivation.wire(), now) {
            self.publish(publish, STATE)?;
        }
        Ok(())
    }

    /// Beats, and at the same pace what need not be said more often.
    pub(super) fn keep_time(&mut self, now: Timestamp) -> Result<(), LineFault> {
        if now < self.next_beat {
            return Ok(());
        }
        self.look_at_itself(now);
        if self.outbox.generation.is_none() {
            self.next_beat = now + BEAT;
            return Ok(());
        }
        self.look_behind(now);
        if self.ahead.is_none() {
            self.states.settle(&self.derivation, now);
        }
        if std::mem::take(&mut self.said.status_stale) | self.states.status_is_new() {
            self.urgent(vec![self.status(Mode::Online, None, now)])?;
        }
        self.beat(now)?;
        self.link.ack(std::mem::take(&mut self.held_back));
        self.say(Pace::WithBeat, now)?;
        let head = self.store.head();
        // While messages wait it is said again, as nothing else tells when they wait no longer.
        let stale = self.said.head != head.seq || self.said.head_after != self.taken;
        if stale || self.said.behind.is_some() {
            (self.said.head, self.said.head_after) = (head.seq, self.taken);
            // On its way from when it is handed over.
            self.echo.sent(now);
            let wire = self.derivation.wire();
            let publish = wire.head(head.seq, &head.chain.to_string(), now);
            self.publish(publish, STATE)?;
        }
        Ok(())
    }

    /// What those who run machines see of it.
    fn look_at_itself(&self, now: Timestamp) {
        let gauges = Gauges {
            lag_us: self.echo.waits(now).map(|waits| waits.0.max(0)),
            queued: self.next.messages.len() as u64,
            unconfirmed: self
                .store
                .head()
                .seq
                .saturating_sub(self.outbox.confirmed()),
        };
        self.vitals.look(self.derivation.line().state(), gauges);
    }

    /// Whether more comes in than the line takes. Said once when it begins, with how long messages wait each time
    /// that has doubled, and once when it is over.
    fn look_behind(&mut self, now: Timestamp) {
        let behind = self.echo.behind(now);
        let said = self.said.behind;
        let base = &self.derivation.plant().line.base;
        let news = match (said, behind) {
            (None, Some(waits)) => {
                tracing::warn!("line {base}: {}", behind_words(waits));
                true
            }
            (Some(_), None) => {
                tracing::info!("line {base}: messages wait no longer");
                true
            }
            (Some(said), Some(waits)) => waits.0 >= 2 * said.0,
            (None, None) => false,
        };
        if news {
            self.said.behind = behind;
            self.said.status_stale = true;
        }
    }

    /// One beat of every station, with what was taken in since the last.
    pub(super) fn beat(&mut self, now: Timestamp) -> Result<(), LineFault> {
        self.next_beat = now + BEAT;
        self.beats += 1;
        let seq = self.store.head().seq;
        let mut publishes = Vec::new();
        for station in &self.derivation.plant().stations {
            let taken = self.receipts.take(station.name.as_str());
            publishes.extend(self.derivation.wire().beats(&Beat {
                station: station.name.as_str(),
                newest: self.states.newest(&station.name),
                readings: taken.readings(),
                events: taken.events(),
                count: self.beats,
                seq,
                at: now,
            }));
        }
        self.urgent(publishes)
    }

    fn status(&self, mode: Mode, fault: Option<&str>, now: Timestamp) -> Publish {
        let plant = self.derivation.plant();
        let mut why: Vec<String> = fault.into_iter().map(ToOwned::to_owned).collect();
        why.extend(
            self.said
                .refused
                .iter()
                .map(|(what, why)| format!("the broker refused {what}: {why}")),
        );
        why.extend(self.said.behind.map(behind_words));
        if self.said.unheard > 0 {
            why.push(
                "answers reached no subscriber: is the station connected, and subscribed?".into(),
            );
        }
        if !plant.without_effect.is_empty() {
            why.push(format!(
                "without effect in this version: {}",
                plant.without_effect.join(", ")
            ));
        }
        let why = why.join("; ");
        let wrong = !self.said.refused.is_empty() || self.said.behind.is_some();
        let mode = if mode == Mode::Online && wrong {
            Mode::Degraded
        } else {
            mode
        };
        let head = self.store.head();
        self.derivation.wire().status(
            self.states.status(),
            &Status {
                mode,
                why: (!why.is_empty()).then_some(why.as_str()),
                seq: head.seq,
                head: &head.chain.to_string(),
                waits: self.said.behind,
                at: now,
            },
        )
    }

    /// The last words: the state as it stands, `offline`, and a snapshot where the ledger still takes one.
    pub(super) fn farewell(mut self, fault: Option<&str>) {
        let now = self.clock.now();
        if fault.is_none() {
            self.link.flush(FAREWELL);
            while let Some(event) = self.link.try_recv() {
                // What came in and was not taken is not acknowledged: it comes again.
                self.sort(event, &mut Look::default());
            }
            let mut batch = Intake::default();
            let written = keeping::snapshot(self.derivation.line().state());
            batch.keep(&mut self.derivation, &*self.store, now, &written);
            let kept = self.store.append(Batch {
                entries: batch.entries.into(),
                snapshot: Some(written),
                snapshots_left: Some(SNAPSHOTS_KEPT),
                published: self.outbox.confirmed(),
                ..Batch::default()
            });
            if let Err(fault) = kept {
                tracing::warn!(
                    "no snapshot at the stop, the next start derives more again: {fault}"
                );
            }
        }
        let last = self.status(Mode::Offline, fault, now);
        let last = self.outbox.generation.map(|generation| bus::Publish {
            urgent: true,
            ..on_the_bus(last, generation, STATE)
        });
        if last.is_some() && !self.link.close(last) {
            tracing::warn!(
                "the broker did not confirm our farewell; its will says `offline` for us"
            );
        }
    }
}

fn behind_words(waits: Span) -> String {
    format!(
        "messages wait {} s at the broker, more come than the line takes: find who sends so many",
        waits.millis() / 1000
    )
}

fn on_the_bus(publish: Publish, generation: u64, tag: u64) -> bus::Publish {
    bus::Publish {
        generation,
        topic: publish.topic,
        payload: publish.payload,
        retain: publish.retain,
        qos: publish.qos,
        urgent: false,
        // A beat that is lost is followed by the next.
        tag: (publish.qos > 0).then_some(tag),
        expiry_s: publish.expiry_s,
        content_type: Some("application/json"),
        correlation: publish.correlation,
        user: publish.attributes,
    }
}
