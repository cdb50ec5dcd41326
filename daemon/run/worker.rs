//! The line thread's loop: take a batch, derive, commit, PUBACK, publish; and what the line says by
//! itself, beats and renewals, so that a hung judge stops the beat.
//!
//! Where more waits, a batch is handed over to be flushed and the next one derived meanwhile, at most one ahead: it
//! is written once the one before is flushed, and what that one led to is said while this one is being flushed.
//!
//! Nothing leaves before its record is durable. When a commit fails the line is ahead of the disk: it
//! says so, acknowledges nothing and ends; what brings it up again derives the truth.

use super::clock::Clock;
use super::echo::Echo;
use super::faults::LineFault;
use super::intake::{Arrival, Batch, Incoming};
use super::keeping::{self, Keeping};
use super::outbox::{self, Outbox, Written};
use super::receipts::Receipts;
use super::states::{Change, Pace, States};
use crate::bus::{self, AckToken, Carrier, Confirm, Event};
use chargehand_core::{Span, Timestamp};
use chargehand_derive::Derivation;
use chargehand_derive::record::Body;
use chargehand_ledger::{Batch as LedgerBatch, Entry, Head, Snapshot, Store, StoreError};
use chargehand_wire::{Beat, Mode, Publish, Status};
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// At most so many messages become one commit.
const BATCH_MAX: usize = 512;
/// A batch that has taken so long to derive is committed: the rest of what was taken waits for the next.
const BATCH_TIME: Span = Span::from_millis(250);
/// At most so many events are sorted before they are worked on.
const LOOK_MAX: usize = 4 * BATCH_MAX;
/// At most so many events are sorted to find that all is subscribed.
const JOIN_MAX: usize = 20 * BATCH_MAX;
/// A station that hears no beat for three of these takes silence as held.
pub(super) const BEAT: Span = Span::from_secs(1);
/// A beat that is late by so much does not wait for the end of the round.
const LATE: Span = Span::from_millis(500);
/// How long the line waits for room on the bus before it looks whether a beat is due.
const WAIT: Duration = Duration::from_millis(100);
/// After a lost session, what was published in the last minute goes out again.
const REPEAT: Span = Span::from_secs(60);
/// So many records after a snapshot comes the next: a restart derives at most so many again.
const SNAPSHOT_EVERY: u64 = 75_000;
/// So many snapshots stay, beside those that open an era.
const SNAPSHOTS_KEPT: usize = 2;
/// So long a kept state may take to be flushed, and beats go on: a disk that takes longer hangs.
const HANGS: Span = Span::from_secs(10);
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
    echo: Echo,
    /// Taken from the bus, and not worked on yet.
    next: Look,
    /// Handed over to be flushed.
    ahead: Option<Made>,
    /// Connected, and not yet subscribed.
    joining: Option<u64>,
    /// The broker had no session of ours, and nothing was repeated since.
    repeat: bool,
    /// When the last connection ended.
    left_at: Timestamp,
    /// And behind which record.
    left_seq: u64,
    states: States,
    said: Said,
    /// What the next beats name.
    receipts: Receipts,
    /// Durable, and not acknowledged before beats have named what waits.
    held_back: Vec<AckToken>,
    beats: u64,
    next_beat: Timestamp,
    snapshot_every: u64,
    snapshot_at: u64,
    /// The state that is being written out.
    keeping: Option<Keeping>,
    batch_max: usize,
    /// Whether all is done on this one thread.
    alone: bool,
    taken: u64,
}

/// What was last said of the daemon itself on this connection.
#[derive(Default)]
struct Said {
    head: u64,
    /// How many messages had been taken in when the head was said.
    head_after: u64,
    /// The line cannot keep up: how long messages wait.
    behind: Option<Span>,
    /// What the broker refused on this connection, and why.
    refused: BTreeMap<String, String>,
    status_stale: bool,
    /// Answers that reached no subscriber.
    unheard: u64,
}

/// What came under a token.
#[derive(Debug)]
enum Came {
    Message(Box<Arrival>),
    /// Our own head, said at that time.
    Head(Option<Timestamp>),
}

/// What a look at the bus brought.
#[derive(Debug, Default)]
struct Look {
    messages: Vec<(AckToken, Came)>,
    /// The broker answered a new connection: whether it has our session.
    session: Option<bool>,
    /// A connection on which everything is subscribed.
    up: Option<u64>,
    closed: bool,
}

impl Look {
    fn is_empty(&self) -> bool {
        self.messages.is_empty() && self.session.is_none() && self.up.is_none() && !self.closed
    }
}

/// What was made of a look, derived and perhaps not yet durable.
struct Made {
    batch: Arc<Batch>,
    entries: Arc<[Entry]>,
    /// Its messages.
    tokens: Vec<AckToken>,
    /// The record before it, once it is written.
    before: u64,
    /// What may be said of the line's state once it is durable.
    change: Change,
    up: Option<u64>,
    /// A state is kept with it.
    keeps: bool,
}

impl Made {
    /// Whether more may be derived before it is flushed. What came again is answered from the line as it stands.
    fn may_be_overtaken(&self) -> bool {
        self.up.is_none() && self.batch.again.is_empty()
    }
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
        let states = States::of(&derivation, next_beat);
        let echo = Echo::new(next_beat);
        Self {
            derivation,
            store,
            link,
            clock,
            stop,
            outbox,
            echo,
            next: Look::default(),
            ahead: None,
            joining: None,
            repeat: false,
            left_at,
            left_seq,
            states,
            said: Said::default(),
            receipts: Receipts::default(),
            held_back: Vec::new(),
            beats: 0,
            next_beat,
            snapshot_at,
            snapshot_every: SNAPSHOT_EVERY,
            keeping: None,
            batch_max: BATCH_MAX,
            alone: false,
            taken: 0,
        }
    }

    /// Takes a snapshot after so many records, and not after as many as usual: what is written with one is rare otherwise.
    #[must_use]
    pub fn with_snapshots_every(self, records: u64) -> Self {
        Self {
            snapshot_every: records,
            ..self
        }
    }

    /// Makes batches of at most so many messages, on this thread alone: so that in one thread, too, some wait while
    /// others are flushed.
    #[must_use]
    pub fn alone_with_batches_of(self, messages: usize) -> Self {
        Self {
            batch_max: messages,
            alone: true,
            ..self
        }
    }

    /// Runs until asked to stop. Gives the last record that is durable, and the fault if the ledger or the network
    /// failed.
    pub fn run(mut self) -> (Head, Result<(), LineFault>) {
        let ended = self.rounds();
        if ended.is_ok() {
            let base = &self.derivation.plant().line.base;
            tracing::info!("line {base}: stopping as asked");
        }
        let head = self.store.head();
        let why = ended
            .as_ref()
            .err()
            .map(|fault| format!("{fault}; {}", fault.follows()));
        self.farewell(why.as_deref());
        (head, ended)
    }

    fn rounds(&mut self) -> Result<(), LineFault> {
        while !self.stop.load(Ordering::Acquire) {
            self.round()?;
        }
        if let Some(made) = self.land()? {
            self.store.in_place()?;
            self.finish(made, self.clock.now())?;
        }
        self.store.in_place()?;
        let published = self.outbox.confirmed();
        self.store.append(LedgerBatch {
            published,
            ..LedgerBatch::default()
        })?;
        Ok(())
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
        let made = self.derive(look, now)?;
        let landed = self.land()?;
        // What is flushed is said while this is: beside, or else before.
        let made = self.hand_ahead(made, landed.is_some())?;
        if let Some(landed) = landed {
            self.finish(landed, now)?;
            self.link.let_go();
        }
        if let Some(made) = made {
            let made = self.write(made)?;
            self.finish(made, now)?;
        }
        self.catch_up()?;
        self.say_states(now)?;
        self.link.let_go();
        self.keep_time(now)?;
        self.keep_state(now)?;
        self.store.tidy();
        if self.outbox.generation.is_some() && self.ahead.is_none() {
            self.clock.kept(now, self.taken);
        }
        Ok(())
    }

    /// Whether nothing that was taken is still to be worked on, and what was derived is on the disk.
    #[must_use]
    pub fn is_idle(&self) -> bool {
        self.ahead.is_none() && self.next.is_empty()
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
        let mut look = std::mem::take(&mut self.next);
        let deadline = if look.is_empty() && self.ahead.is_none() {
            self.deadline()
        } else {
            Some(Instant::now())
        };
        let event = self.link.recv(deadline);
        self.take_what_is_there(event, &mut look);
        look
    }

    /// Whether more is there to work on than this round takes.
    fn more_waits(&mut self) -> bool {
        let mut next = std::mem::take(&mut self.next);
        let event = self.link.try_recv();
        self.take_what_is_there(event, &mut next);
        self.next = next;
        !self.next.messages.is_empty()
    }

    fn take_what_is_there(&mut self, mut event: Option<Event>, look: &mut Look) {
        let mut sorted = 0;
        while let Some(found) = event {
            self.sort(found, look);
            sorted += 1;
            // Confirmations come between messages; no flood of either may keep the line from its beat. Before its
            // first beat on a connection stands the word that all is subscribed, perhaps behind thousands of messages.
            let enough = look.messages.len() >= self.batch_max || sorted >= LOOK_MAX;
            let join = self.joining.is_some() && sorted < JOIN_MAX;
            if (enough && !join) || look.closed {
                break;
            }
            event = self.link.try_recv();
        }
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
            Event::Message(message) => {
                let wire = self.derivation.wire();
                let came = if message.topic == wire.head_topic() {
                    let said = wire.said_at(&message.properties.user);
                    Came::Head(said.filter(|_| !message.retain))
                } else {
                    let message = Incoming {
                        topic: message.topic,
                        payload: message.payload,
                        retain: message.retain,
                        response_topic: message.properties.response_topic,
                        correlation: message.properties.correlation_data,
                        content_type: message.properties.content_type,
                        user: message.properties.user,
                    };
                    Came::Message(Box::new(Arrival::read(&self.derivation, message)))
                };
                look.messages.push((message.ack, came));
            }
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
                // It comes again.
                self.held_back.clear();
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

    /// Derives what was taken.
    fn derive(&mut self, look: Look, now: Timestamp) -> Result<Made, LineFault> {
        let mut batch = match &self.ahead {
            Some(ahead) => Batch::behind(&ahead.batch),
            None => Batch::default(),
        };
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
        let some = &look.messages[..look.messages.len().min(self.batch_max)];
        let arrivals = some.iter().filter_map(|(_, came)| match came {
            Came::Message(arrival) => Some(&**arrival),
            Came::Head(_) => None,
        });
        batch.look_up(store, arrivals)?;
        let mut tokens = Vec::with_capacity(some.len());
        let mut messages = look.messages.into_iter();
        for (token, came) in messages.by_ref().take(self.batch_max) {
            tokens.push(token);
            match came {
                Came::Head(said) => {
                    if let Some(said) = said {
                        self.echo.heard(said, self.clock.now());
                    }
                }
                Came::Message(arrival) => {
                    self.taken += 1;
                    batch.take_arrival(&mut self.derivation, store, now, *arrival)?;
                    if (self.clock.now() - now).0 >= BATCH_TIME.0 {
                        break;
                    }
                }
            }
        }
        // What was taken and is left goes before all that comes.
        self.next.messages = messages.collect();
        Ok(self.made(batch, tokens, look.up, now))
    }

    fn made(
        &mut self,
        mut batch: Batch,
        tokens: Vec<AckToken>,
        up: Option<u64>,
        now: Timestamp,
    ) -> Made {
        let heard = batch.taken.iter().map(|receipt| &receipt.station);
        let change = self
            .states
            .note(&self.derivation, &batch.outcomes, heard, now);
        batch.is_next();
        Made {
            entries: std::mem::take(&mut batch.entries).into(),
            batch: Arc::new(batch),
            tokens,
            before: 0,
            change,
            up,
            keeps: false,
        }
    }

    /// Waits for what was handed over.
    fn land(&mut self) -> Result<Option<Made>, LineFault> {
        let Some(made) = self.ahead.take() else {
            return Ok(None);
        };
        let begun = self.clock.now();
        while self.store.flushed(WAIT)?.is_none() {
            let now = self.clock.now();
            // A state is large. Whatever else takes so long hangs, and its beats stop.
            if made.keeps && (now - begun).0 < HANGS.0 && now >= self.next_beat {
                self.store.in_place()?;
                self.beat(now)?;
            }
        }
        Ok(Some(made))
    }

    /// Hands a batch over to be flushed beside, where there is something to do meanwhile: a batch to be said, or more to
    /// be derived. Else it is given back.
    fn hand_ahead(&mut self, mut made: Made, landed: bool) -> Result<Option<Made>, LineFault> {
        let kept = matches!(self.keeping, Some(Keeping::Done(_)));
        let may = !made.entries.is_empty() && made.may_be_overtaken() && !kept;
        let ahead = may && (landed || self.more_waits());
        if ahead {
            made.before = self.store.head().seq;
            self.store.hand_over(self.for_ledger(&made))?;
        }
        if ahead || landed {
            self.store.in_place()?;
        }
        Ok(match ahead {
            true => {
                self.ahead = Some(made);
                None
            }
            false => Some(made),
        })
    }

    /// Writes and flushes a batch here.
    fn write(&mut self, mut made: Made) -> Result<Made, LineFault> {
        made.before = self.store.head().seq;
        if !made.entries.is_empty() {
            self.store.append(self.for_ledger(&made))?;
        }
        // Durable is what the next start finds. In every round, so with every beat too.
        self.store.in_place()?;
        Ok(made)
    }

    /// Inputs and outcomes of a batch: one transaction, flushed once.
    fn for_ledger(&self, made: &Made) -> LedgerBatch {
        LedgerBatch {
            entries: Arc::clone(&made.entries),
            published: self.outbox.confirmed(),
            ..LedgerBatch::default()
        }
    }

    /// What is durable is acknowledged and said.
    fn finish(&mut self, made: Made, now: Timestamp) -> Result<(), LineFault> {
        let (batch, entries) = (&made.batch, &made.entries);
        self.states.flushed(made.change);
        if let Some(generation) = made.up {
            self.greet(generation, now)?;
        }
        for receipt in &batch.taken {
            self.receipts.add(receipt.clone());
        }
        self.acknowledge(made.tokens, now)?;
        self.hand_over(batch, entries, made.before)?;
        self.answer_again(batch, now)
    }

    /// Now and then keeps the state. It is written out beside, and named by a record once it is.
    fn keep_state(&mut self, now: Timestamp) -> Result<(), LineFault> {
        let state = self.derivation.line().state();
        self.keeping = match self.keeping.take().map(Keeping::look) {
            Some(Keeping::Done(written)) if self.ahead.is_none() => {
                return self.name_state(written, now);
            }
            None if state.seq - self.snapshot_at >= self.snapshot_every => {
                self.snapshot_at = state.seq;
                Some(match self.alone {
                    true => Keeping::here(state),
                    false => Keeping::begin(state),
                })
            }
            keeping => keeping,
        };
        Ok(())
    }

    /// The state and the record that names it, alone: nobody's answer waits for so much.
    fn name_state(&mut self, written: Snapshot, now: Timestamp) -> Result<(), LineFault> {
        let mut batch = Batch::default();
        batch.keep(&mut self.derivation, &*self.store, now, &written);
        let mut made = self.made(batch, Vec::new(), None, now);
        made.keeps = true;
        made.before = self.store.head().seq;
        self.store.hand_over(LedgerBatch {
            entries: Arc::clone(&made.entries),
            snapshot: Some(written),
            snapshots_left: Some(SNAPSHOTS_KEPT),
            published: self.outbox.confirmed(),
            ..LedgerBatch::default()
        })?;
        self.ahead = Some(made);
        Ok(())
    }

    /// A new connection: resume behind what is confirmed; after a lost session further back.
    fn greet(&mut self, generation: u64, now: Timestamp) -> Result<(), LineFault> {
        let mut after = self.outbox.confirmed();
        if std::mem::take(&mut self.repeat) {
            after = after.min(self.last_before(Timestamp(self.left_at.0 - REPEAT.0))?);
        }
        self.outbox.connect(generation, after);
        self.echo.connect(now);
        let refused = std::mem::take(&mut self.said.refused);
        self.said = Said {
            // Subscriptions are refused before a connection is greeted; answers were on the last one.
            refused: refused
                .into_iter()
                .filter(|(what, _)| what.starts_with("the subscription"))
                .collect(),
            behind: self.said.behind,
            ..Said::default()
        };
        self.states.connected();
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
    fn hand_over(
        &mut self,
        batch: &Batch,
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

    fn answer_again(&mut self, batch: &Batch, now: Timestamp) -> Result<(), LineFault> {
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
    fn acknowledge(&mut self, tokens: Vec<AckToken>, now: Timestamp) -> Result<(), LineFault> {
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
    fn say_states(&mut self, now: Timestamp) -> Result<(), LineFault> {
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
    fn keep_time(&mut self, now: Timestamp) -> Result<(), LineFault> {
        if now < self.next_beat {
            return Ok(());
        }
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
    fn beat(&mut self, now: Timestamp) -> Result<(), LineFault> {
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
    fn farewell(mut self, fault: Option<&str>) {
        let now = self.clock.now();
        if fault.is_none() {
            self.link.flush(FAREWELL);
            while let Some(event) = self.link.try_recv() {
                // What came in and was not taken is not acknowledged: it comes again.
                self.sort(event, &mut Look::default());
            }
            let mut batch = Batch::default();
            let written = keeping::snapshot(self.derivation.line().state());
            batch.keep(&mut self.derivation, &*self.store, now, &written);
            let kept = self.store.append(LedgerBatch {
                entries: batch.entries.into(),
                snapshot: Some(written),
                snapshots_left: Some(SNAPSHOTS_KEPT),
                published: self.outbox.confirmed(),
                ..LedgerBatch::default()
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
