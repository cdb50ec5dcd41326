//! The line thread's loop: take a batch, derive, commit, PUBACK, publish; and what the line says by
//! itself, beats and renewals, so that a hung judge stops the beat.
//!
//! Nothing leaves before its record is durable. When a commit fails the line is ahead of the disk: it
//! says so, acknowledges nothing and ends; a restart derives the truth.

use super::clock::Clock;
use super::intake::{Batch, Incoming};
use super::outbox::{self, Outbox, Written};
use crate::bus::{self, AckToken, Carrier, Confirm, Event};
use crate::derive::Derivation;
use crate::record::{self, Body};
use chargehand_core::{
    AdvisoryId, AlarmId, InputId, Outcome, SEMANTICS, Span, StationName, Timestamp,
};
use chargehand_ledger::{Batch as LedgerBatch, Snapshot, Store, StoreError};
use chargehand_wire::{Mode, Publish, Status};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// At most so many messages become one commit.
const BATCH_MAX: usize = 512;
/// At most so many events are sorted before they are worked on.
const LOOK_MAX: usize = 4 * BATCH_MAX;
/// A station that hears no beat for three of these takes silence as held.
const BEAT: Span = Span::from_secs(1);
/// After a lost session, what was published in the last minute goes out again.
const REPEAT: Span = Span::from_secs(60);
/// So many records after a snapshot comes the next: a restart derives at most so many again.
const SNAPSHOT_EVERY: u64 = 50_000;
/// So many snapshots stay, beside those that open an era.
const SNAPSHOTS_KEPT: usize = 2;
/// Of more that came in between two beats from one station than this, the newest are named.
const RECEIPTS_MAX: usize = 100;
/// Tag of what is a state, not a record's message.
const STATE: u64 = u64::MAX;
/// How long an orderly stop waits for the broker to confirm.
const FAREWELL: Duration = Duration::from_secs(2);

/// One line at work.
pub struct Worker {
    derivation: Derivation,
    store: Box<dyn Store>,
    link: Box<dyn Carrier>,
    clock: Arc<dyn Clock>,
    stop: Arc<AtomicBool>,
    outbox: Outbox,
    /// Connected, and not yet subscribed.
    joining: Option<u64>,
    /// The broker had no session of ours, and nothing was repeated since.
    repeat: bool,
    /// When the last connection ended.
    left_at: Timestamp,
    /// And behind which record.
    left_seq: u64,
    said: Said,
    beats: u64,
    next_beat: Timestamp,
    snapshot_every: u64,
    snapshot_at: u64,
    taken: u64,
}

/// What was last said of the line's state on this connection.
#[derive(Default)]
struct Said {
    gates: BTreeMap<StationName, SaidGate>,
    alarms: BTreeSet<AlarmId>,
    advisories: BTreeSet<AdvisoryId>,
    open_stale: bool,
    head: u64,
    /// What the broker refused on this connection, and why.
    refused: BTreeMap<String, String>,
    status_stale: bool,
    /// Answers that reached no subscriber.
    unheard: u64,
}

/// What was last said of a gate.
struct SaidGate {
    /// The last change it told.
    seq: u64,
    at: Timestamp,
    held: bool,
}

/// What came under a token.
enum Came {
    Message(Incoming),
    /// Our own head, said at that time.
    Head(Option<Timestamp>),
}

/// What a look at the bus brought.
#[derive(Default)]
struct Look {
    messages: Vec<(AckToken, Incoming)>,
    /// The broker answered a new connection: whether it has our session.
    session: Option<bool>,
    /// A connection on which everything is subscribed.
    up: Option<u64>,
    closed: bool,
}

/// Why a line ended other than by being asked to.
#[derive(Debug, thiserror::Error)]
pub enum LineFault {
    /// The ledger could not be written or read.
    #[error("the ledger failed, so nothing more was acknowledged or said: {0}")]
    Store(#[from] StoreError),
    /// The line does not go on by itself.
    #[error(transparent)]
    Begin(#[from] super::begin::BeginFault),
    /// The line could not be brought back.
    #[error(transparent)]
    Recover(#[from] super::recover::RecoverFault),
    /// The network thread is gone.
    #[error(transparent)]
    Network(#[from] bus::Closed),
}

impl Worker {
    /// A recovered line, ready to run.
    #[must_use]
    pub fn new(
        derivation: Derivation,
        store: Box<dyn Store>,
        link: Box<dyn Carrier>,
        clock: Arc<dyn Clock>,
        stop: Arc<AtomicBool>,
    ) -> Self {
        let outbox = Outbox::resume_after(store.published());
        let head = store.head().seq;
        // The last record before this start was written while there may have been a connection.
        let before = store.record(head.saturating_sub(1)).ok().flatten();
        let left_at = before.map_or(clock.now(), |record| Timestamp(record.at_us));
        let left_seq = head.saturating_sub(1);
        let snapshot_at = store
            .snapshots()
            .ok()
            .and_then(|all| Some(all.first()?.seq))
            .unwrap_or(0);
        let next_beat = clock.now();
        Self {
            derivation,
            store,
            link,
            clock,
            stop,
            outbox,
            joining: None,
            repeat: false,
            left_at,
            left_seq,
            said: Said::default(),
            beats: 0,
            next_beat,
            snapshot_at,
            snapshot_every: SNAPSHOT_EVERY,
            taken: 0,
        }
    }

    /// Takes a snapshot after so many records, and not after 50,000: what is written with one is rare otherwise.
    #[must_use]
    pub fn with_snapshots_every(self, records: u64) -> Self {
        Self {
            snapshot_every: records,
            ..self
        }
    }

    /// Runs until asked to stop.
    ///
    /// # Errors
    /// The ledger or the network failed.
    pub fn run(mut self) -> Result<(), LineFault> {
        let ended = self.rounds();
        match &ended {
            Ok(()) => tracing::info!(
                "line {}: stopping as asked",
                self.derivation.plant().line.base
            ),
            Err(fault) => tracing::error!("line {}: {fault}", self.derivation.plant().line.base),
        }
        let why = ended.as_ref().err().map(ToString::to_string);
        self.farewell(why.as_deref());
        ended
    }

    fn rounds(&mut self) -> Result<(), LineFault> {
        while !self.stop.load(Ordering::Acquire) {
            self.round()?;
        }
        self.store.in_place()?;
        Ok(self.store.set_published(self.outbox.confirmed())?)
    }

    /// One round: waits for something to do, and does and says all that is due. After a fault the line is ahead of
    /// the disk and good for nothing more.
    ///
    /// # Errors
    /// The ledger or the network failed.
    pub fn round(&mut self) -> Result<(), LineFault> {
        let look = self.look();
        if look.closed {
            return Err(bus::Closed.into());
        }
        let now = self.clock.now();
        self.work(look, now)?;
        self.catch_up()?;
        self.say_states(now)?;
        self.keep_time(now)?;
        self.store.tidy();
        if self.outbox.generation.is_some() {
            self.clock.kept(now, self.taken);
        }
        Ok(())
    }

    /// The line as it stands.
    #[must_use]
    pub fn derivation(&self) -> &Derivation {
        &self.derivation
    }

    /// Its ledger.
    #[must_use]
    pub fn store(&self) -> &dyn Store {
        &*self.store
    }

    /// Waits for something to do, then takes what is there without waiting for more.
    fn look(&mut self) -> Look {
        let mut look = Look::default();
        let mut event = self.link.recv(self.deadline());
        let mut sorted = 0;
        while let Some(found) = event {
            self.sort(found, &mut look);
            sorted += 1;
            // Confirmations come between messages; no flood of either may keep the line from its beat.
            if look.messages.len() >= BATCH_MAX || sorted >= LOOK_MAX || look.closed {
                break;
            }
            event = self.link.try_recv();
        }
        look
    }

    fn deadline(&self) -> Option<Instant> {
        if self.outbox.generation.is_some() && self.outbox.cursor() < self.store.head().seq {
            return Some(Instant::now());
        }
        let due = self.derivation.line().poll_timeout();
        self.clock
            .when(due.map_or(self.next_beat, |due| due.min(self.next_beat)))
    }

    fn sort(&mut self, event: Event, look: &mut Look) {
        let base = &self.derivation.plant().line.base;
        match event {
            Event::Message(message) => look.messages.push((
                message.ack,
                Incoming {
                    topic: message.topic,
                    payload: message.payload,
                    retain: message.retain,
                    response_topic: message.properties.response_topic,
                    correlation: message.properties.correlation_data,
                    content_type: message.properties.content_type,
                    user: message.properties.user,
                },
            )),
            Event::Up {
                generation,
                session_present,
                ..
            } => {
                let word = if session_present { "" } else { "not " };
                tracing::info!("line {base}: connected, session {word}present");
                self.joining = Some(generation);
                // Two connections in one look: what the first had lost stays lost.
                look.session = Some(session_present && look.session != Some(false));
            }
            // Only now does nothing that is sent to us go missing.
            Event::Subscribed { generation } => {
                look.up = self
                    .joining
                    .take_if(|joining| *joining == generation)
                    .or(look.up);
            }
            Event::Confirmed {
                generation,
                tag,
                reason,
            } if self.outbox.generation == Some(generation) => self.confirmed(tag, reason),
            Event::Down { generation, why } | Event::TakenOver { generation, why } => {
                tracing::warn!("line {base}: no connection: {why}");
                if self.outbox.generation == Some(generation) {
                    self.outbox.disconnect();
                    self.left_at = self.clock.now();
                    self.left_seq = self.store.head().seq;
                }
                self.joining = None;
                look.up = look.up.filter(|up| *up != generation);
            }
            Event::Refused { filter, reason } => {
                tracing::error!(
                    "line {base}: the broker refused the subscription to {filter}, nothing of it will arrive: {reason}; check its access list"
                );
                self.refused(format!("the subscription to {filter}"), reason);
            }
            Event::Closed => look.closed = true,
            Event::Confirmed { .. } | Event::Nudge => {}
        }
    }

    fn confirmed(&mut self, tag: u64, reason: Confirm) {
        match reason {
            Confirm::Success => {}
            Confirm::NoSubscriber => {
                self.said.unheard += 1;
                self.said.status_stale |= self.said.unheard == 1;
            }
            Confirm::Refused(why) => {
                let base = &self.derivation.plant().line.base;
                let (what, of) = match tag {
                    STATE => ("a state, or an answer given again", String::new()),
                    record => ("an answer", format!(" of record {record}")),
                };
                tracing::error!(
                    "line {base}: the broker refused {what}{of}: {why}; check its access list and quotas"
                );
                self.refused(what.to_owned(), why);
            }
        }
        self.outbox.answered(tag);
    }

    /// Said once a kind, not once a message.
    fn refused(&mut self, what: String, why: String) {
        self.said.status_stale |= self.said.refused.insert(what, why).is_none();
    }

    /// Derives a look, commits it, acknowledges it, and answers it.
    fn work(&mut self, look: Look, now: Timestamp) -> Result<(), LineFault> {
        let mut batch = Batch::default();
        let store = &*self.store;
        if let Some(by) = self.clock.step() {
            batch.take(&mut self.derivation, store, now, &Body::Clock { by_us: by });
        }
        if self
            .derivation
            .line()
            .poll_timeout()
            .is_some_and(|due| due <= now)
        {
            batch.take(&mut self.derivation, store, now, &Body::Due);
        }
        if let Some(present) = look.session {
            self.repeat |= !present;
            if !present || self.derivation.line().state().sessions == 0 {
                batch.take(&mut self.derivation, store, now, &Body::Session);
            }
        }
        self.taken += look.messages.len() as u64;
        let mut tokens = Vec::with_capacity(look.messages.len());
        for (token, message) in look.messages {
            tokens.push(token);
            batch.take_message(&mut self.derivation, store, now, message)?;
        }
        let before = store.head().seq;
        if !batch.entries.is_empty() {
            self.commit(&batch)?;
        }
        // Durable is what the next start finds. In every round, so with every beat too.
        self.store.in_place()?;
        self.link.ack(tokens);
        if let Some(generation) = look.up {
            self.greet(generation, now)?;
        }
        self.note_changes(&batch);
        self.note_receipts(&mut batch);
        self.hand_over(&batch, before)?;
        self.answer_again(&batch)
    }

    /// Inputs and outcomes of a batch: one transaction, flushed once.
    fn commit(&mut self, batch: &Batch) -> Result<(), LineFault> {
        let head = self.store.head().seq + batch.entries.len() as u64;
        let due = head - self.snapshot_at >= self.snapshot_every;
        let snapshot = due.then(|| self.snapshot(head));
        self.store.append(LedgerBatch {
            entries: &batch.entries,
            blobs: &[],
            snapshot,
            published: self.outbox.confirmed(),
        })?;
        if due {
            self.snapshot_at = head;
            self.store.prune_snapshots(SNAPSHOTS_KEPT)?;
        }
        Ok(())
    }

    fn snapshot(&self, seq: u64) -> Snapshot {
        let bytes = record::text(self.derivation.line().state()).into_bytes();
        Snapshot {
            seq,
            semantics: SEMANTICS,
            kept: false,
            bytes,
        }
    }

    /// A new connection: resume behind what is confirmed; after a lost session further back.
    fn greet(&mut self, generation: u64, now: Timestamp) -> Result<(), LineFault> {
        let mut after = self.outbox.confirmed();
        if std::mem::take(&mut self.repeat) {
            after = after.min(self.last_before(Timestamp(self.left_at.0 - REPEAT.0))?);
        }
        self.outbox.connect(generation, after);
        let refused = std::mem::take(&mut self.said.refused);
        let state = self.derivation.line().state();
        self.said = Said {
            // Subscriptions are refused before a connection is greeted; answers were on the last one.
            refused: refused
                .into_iter()
                .filter(|(what, _)| what.starts_with("the subscription"))
                .collect(),
            alarms: state.alarms.keys().cloned().collect(),
            advisories: state.advisories.keys().cloned().collect(),
            open_stale: true,
            status_stale: true,
            ..Said::default()
        };
        self.next_beat = now;
        let (wire, seq) = (self.derivation.wire(), self.store.head().seq);
        let alarms = state
            .alarms_past
            .iter()
            .map(|alarm| wire.alarm_cleared(alarm.as_str(), seq, now));
        let gates = state
            .gates_past
            .iter()
            .map(|gate| wire.hold_cleared(gate.as_str(), seq, now));
        let advisories = state
            .advisories_past
            .iter()
            .map(|advisory| wire.advisory_cleared(advisory.as_str(), seq, now));
        for publish in alarms.chain(gates).chain(advisories) {
            self.publish(publish, STATE)?;
        }
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
    fn hand_over(&mut self, batch: &Batch, before: u64) -> Result<(), LineFault> {
        if self.outbox.generation.is_none() || self.outbox.cursor() != before {
            return Ok(());
        }
        for (index, outcomes) in batch.outcomes.iter().enumerate() {
            let entry = &batch.entries[index];
            let written = Written {
                seq: before + 1 + index as u64,
                at: Timestamp(entry.at_us),
                message: batch.messages[index].as_ref(),
                payload: entry.payload.as_deref().unwrap_or_default(),
            };
            let publishes = outbox::messages(self.derivation.wire(), &written, outcomes);
            self.hand(written.seq, publishes)?;
        }
        Ok(())
    }

    /// Hands over a part of what the ledger holds and this connection has not been given.
    fn catch_up(&mut self) -> Result<(), LineFault> {
        let head = self.store.head().seq;
        if self.outbox.generation.is_none() || self.outbox.cursor() >= head {
            return Ok(());
        }
        let from = self.outbox.cursor() + 1;
        let to = head.min(from + BATCH_MAX as u64 - 1);
        let mut found = Vec::new();
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

    fn answer_again(&mut self, batch: &Batch) -> Result<(), LineFault> {
        for again in &batch.again {
            let publishes = outbox::again(
                self.derivation.wire(),
                self.derivation.line(),
                &*self.store,
                again,
            )?;
            for publish in publishes {
                self.publish(publish, STATE)?;
            }
        }
        Ok(())
    }

    fn publish(&self, publish: Publish, tag: u64) -> Result<(), LineFault> {
        let Some(generation) = self.outbox.generation else {
            return Ok(());
        };
        Ok(self.link.publish(on_the_bus(publish, generation, tag))?)
    }

    /// What the next beats name. A duplicate is named again: its station may have missed the first.
    fn note_receipts(&mut self, batch: &mut Batch) {
        for (station, input) in std::mem::take(&mut batch.taken) {
            if self.derivation.plant().station(station.as_str()).is_some() {
                let receipts = self.said.taken.entry(station).or_default();
                if receipts.len() >= RECEIPTS_MAX {
                    receipts.remove(0);
                }
                receipts.push(input);
            }
        }
    }

    /// Which retained topics say something else now.
    fn note_changes(&mut self, batch: &Batch) {
        for outcome in batch.outcomes.iter().flatten() {
            match outcome {
                Outcome::Hold(_) | Outcome::Freed(_) => self.said.open_stale = true,
                Outcome::Alarm(alarm) => {
                    self.said.alarms.insert(alarm.id.clone());
                    self.said.open_stale = true;
                }
                Outcome::Cleared { alarm } => {
                    self.said.alarms.insert(alarm.clone());
                    self.said.open_stale = true;
                }
                Outcome::Advisory(advisory) => {
                    self.said.advisories.insert(advisory.id.clone());
                    self.said.open_stale = true;
                }
                Outcome::Closed(closed) => {
                    self.said.advisories.insert(closed.advisory.clone());
                    self.said.open_stale = true;
                }
                Outcome::InForce(_) => self.said.status_stale = true,
                _ => {}
            }
        }
    }

    /// Gates and alarms are said as soon as they change: stations and people act on them.
    fn say_states(&mut self, now: Timestamp) -> Result<(), LineFault> {
        if self.outbox.generation.is_none() {
            return Ok(());
        }
        let renew = Span(self.derivation.plant().line.valid.0 / 3);
        let line = self.derivation.line();
        let mut publishes = Vec::new();
        let seq = line.state().seq;
        for id in std::mem::take(&mut self.said.alarms) {
            publishes.push(match line.state().alarms.get(&id) {
                Some(alarm) => self.derivation.wire().alarm(alarm, now),
                None => self.derivation.wire().alarm_cleared(id.as_str(), seq, now),
            });
        }
        for id in std::mem::take(&mut self.said.advisories) {
            let wire = self.derivation.wire();
            publishes.push(match line.state().advisories.get(&id) {
                Some(advisory) => wire.advisory(advisory, now),
                None => wire.advisory_cleared(id.as_str(), seq, now),
            });
        }
        for publish in publishes {
            self.publish(publish, STATE)?;
        }
        Ok(())
    }

    /// Beats, and at the same pace what need not be said more often.
    fn keep_time(&mut self, now: Timestamp) -> Result<(), LineFault> {
        if now < self.next_beat {
            return Ok(());
        }
        self.next_beat = now + BEAT;
        if self.outbox.generation.is_none() {
            return Ok(());
        }
        self.beats += 1;
        let head = self.store.head();
        let state = self.derivation.line().state();
        let wire = self.derivation.wire();
        let mut publishes: Vec<Publish> = Vec::new();
        if std::mem::take(&mut self.said.status_stale) {
            publishes.push(self.status(Mode::Online, None, now));
        }
        for station in &self.derivation.plant().stations {
            let newest = state.taken.get(&station.name);
            let since = self.said.taken.remove(&station.name).unwrap_or_default();
            let name = station.name.as_str();
            publishes.push(wire.beat(name, newest, &since, self.beats, head.seq, now));
        }
        if std::mem::take(&mut self.said.open_stale) {
            publishes.push(wire.open(state, now));
        }
        if self.said.head != head.seq {
            self.said.head = head.seq;
            publishes.push(wire.head(head.seq, &head.chain.to_string(), now));
        }
        for publish in publishes {
            self.publish(publish, STATE)?;
        }
        Ok(())
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
        let mode = if mode == Mode::Online && !self.said.refused.is_empty() {
            Mode::Degraded
        } else {
            mode
        };
        let head = self.store.head();
        self.derivation.wire().status(
            self.derivation.line().state(),
            &Status {
                mode,
                why: (!why.is_empty()).then_some(why.as_str()),
                seq: head.seq,
                head: &head.chain.to_string(),
                at: now,
            },
        )
    }

    /// The last words: the state as it stands, `offline`, and a snapshot where the ledger still takes one.
    fn farewell(mut self, fault: Option<&str>) {
        let now = self.clock.now();
        if fault.is_none() {
            self.link.flush(FAREWELL);
            while let Some(event) = self.link.try_recv() {
                // What came in and was not taken is not acknowledged: it comes again.
                self.sort(event, &mut Look::default());
            }
            let seq = self.store.head().seq;
            let kept = self.store.append(LedgerBatch {
                entries: &[],
                blobs: &[],
                snapshot: Some(self.snapshot(seq)),
                published: self.outbox.confirmed(),
            });
    fn say_gates(&mut self, now: Timestamp) -> Result<(), LineFault> {
        let renew = Span(self.derivation.plant().line.valid.0 / 3);
        let line = self.derivation.line();
        let mut publishes = Vec::new();
        for station in self
            .derivation
            .plant()
            .stations
            .iter()
            .filter(|station| station.gate.is_some())
        {
            let changed = line.gate_changed(station.name.as_str());
            let said = self.said.gates.get(&station.name);
            let fresh = said.is_some_and(|said| {
                said.seq == changed && (said.held || (now - said.at).0 < renew.0)
            });
            if fresh {
                continue;
            }
            if let Some(view) = line.hold_view(station.name.as_str()) {
                let said = SaidGate {
                    seq: changed,
                    at: now,
                    held: !view.holds.is_empty(),
                };
                self.said.gates.insert(station.name.clone(), said);
                publishes.push(
                    self.derivation
                        .wire()
                        .hold(station.name.as_str(), &view, now),
                );
            }
        }
        self.urgent(publishes)
    }

            if let Err(fault) =
                kept.and_then(|_| self.store.prune_snapshots(SNAPSHOTS_KEPT).map(drop))
            {
                tracing::warn!(
                    "no snapshot at the stop, the next start derives more again: {fault}"
                );
            }
        }
        let last = self.status(Mode::Offline, fault, now);
        let last = self
            .outbox
            .generation
            .map(|generation| on_the_bus(last, generation, STATE));
        if last.is_some() && !self.link.close(last) {
            tracing::warn!(
                "the broker did not confirm our farewell; its will says `offline` for us"
            );
        }
    }
}

fn on_the_bus(publish: Publish, generation: u64, tag: u64) -> bus::Publish {
    bus::Publish {
        generation,
        topic: publish.topic,
        payload: publish.payload,
        retain: publish.retain,
        qos: publish.qos,
        // A beat that is lost is followed by the next.
        tag: (publish.qos > 0).then_some(tag),
        expiry_s: publish.expiry_s,
        content_type: Some("application/json"),
        correlation: publish.correlation,
        user: publish.attributes,
    }
}
