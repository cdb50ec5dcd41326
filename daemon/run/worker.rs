//! The line thread's loop: take a batch, derive, commit, PUBACK, publish. What the line says by itself, beats and
//! renewals, comes from the same thread (`saying`), so that a hung judge stops the beat.
//!
//! Where more waits, a batch is handed over to be flushed and the next one derived meanwhile, at most one ahead: it
//! is written once the one before is flushed, and what that one led to is said while this one is being flushed.
//!
//! Nothing leaves before its record is durable. When a commit fails the line is ahead of the disk: it
//! says so, acknowledges nothing and ends; what brings it up again derives the truth.

mod saying;

use super::clock::Clock;
use super::echo::Echo;
use super::faults::LineFault;
use super::intake::{Arrival, Incoming, Intake};
use super::keeping::Keeping;
use super::outbox::Outbox;
use super::receipts::Receipts;
use super::states::{Change, States};
use crate::bus::{self, AckToken, Carrier, Confirm, Event};
use crate::health::Vitals;
use chargehand_core::{Span, Timestamp};
use chargehand_derive::Derivation;
use chargehand_derive::record::Body;
use chargehand_ledger::{Batch, Entry, Head, Snapshot, Store};
use saying::Announced;
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
/// How long the line waits for room on the bus before it looks whether a beat is due.
const WAIT: Duration = Duration::from_millis(100);
/// So many records after a snapshot comes the next: a restart derives at most so many again.
const SNAPSHOT_EVERY: u64 = 75_000;
/// So many snapshots stay, beside those that open an era.
const SNAPSHOTS_KEPT: usize = 2;
/// So long a kept state may take to be flushed, and beats go on: a disk that takes longer hangs.
const HANGS: Span = Span::from_secs(10);
/// Tag of what is a state, not a record's message.
const STATE: u64 = u64::MAX;

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
    said: Announced,
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
    vitals: Arc<Vitals>,
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
    batch: Arc<Intake>,
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
    /// When it was derived.
    since: Instant,
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
        let vitals = Arc::new(Vitals::of(&derivation.plant().line.base));
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
            said: Announced::default(),
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
            vitals,
        }
    }

    /// Keeps these numbers of the line.
    #[must_use]
    pub fn with_vitals(self, vitals: Arc<Vitals>) -> Self {
        Self { vitals, ..self }
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
        self.store.append(Batch {
            published,
            ..Batch::default()
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
        self.vitals.waits();
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
        self.vitals.waits();
        let event = self.link.recv(deadline);
        self.vitals.derives();
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
                    self.vitals.set_connected(false);
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
            Some(ahead) => Intake::behind(&ahead.batch),
            None => Intake::default(),
        };
        let store = &*self.store;
        if let Some(by) = self.clock.step() {
            batch.take(&mut self.derivation, store, now, &Body::Clock { by_us: by });
        }
        let alarms = &self.derivation.line().state().alarms;
        if let Some((left_mb, least_mb)) = self.vitals.disk_news(alarms.get("disk").is_some()) {
            let body = Body::Disk { left_mb, least_mb };
            batch.take(&mut self.derivation, store, now, &body);
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
        self.vitals.waits();
        batch.look_up(store, arrivals)?;
        let begun = Instant::now();
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
                    self.vitals.derives();
                    arrival.kinds().for_each(|kind| self.vitals.taken(kind));
                    batch.take_arrival(&mut self.derivation, store, now, *arrival)?;
                    if (self.clock.now() - now).0 >= BATCH_TIME.0 {
                        break;
                    }
                }
            }
        }
        // What was taken and is left goes before all that comes.
        self.next.messages = messages.collect();
        let made = self.made(batch, tokens, look.up, now);
        if !made.entries.is_empty() {
            self.vitals.derived(begun.elapsed());
        }
        self.vitals.waits();
        Ok(made)
    }

    fn made(
        &mut self,
        mut batch: Intake,
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
            since: Instant::now(),
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
    fn for_ledger(&self, made: &Made) -> Batch {
        Batch {
            entries: Arc::clone(&made.entries),
            published: self.outbox.confirmed(),
            ..Batch::default()
        }
    }

    /// What is durable is acknowledged and said.
    fn finish(&mut self, made: Made, now: Timestamp) -> Result<(), LineFault> {
        let (batch, entries) = (&made.batch, &made.entries);
        if !entries.is_empty() {
            self.vitals.flushed(made.since.elapsed());
        }
        self.vitals.recorded(&batch.outcomes);
        self.vitals.repeated(batch.again.len());
        self.vitals.derives();
        self.states.flushed(made.change);
        if let Some(generation) = made.up {
            self.greet(generation, now)?;
        }
        for receipt in &batch.taken {
            self.receipts.add(receipt.clone());
        }
        self.acknowledge(made.tokens, now)?;
        self.hand_over(batch, entries, made.before)?;
        self.vitals.waits();
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
        self.vitals.waits();
        let mut batch = Intake::default();
        batch.keep(&mut self.derivation, &*self.store, now, &written);
        let mut made = self.made(batch, Vec::new(), None, now);
        made.keeps = true;
        made.before = self.store.head().seq;
        self.store.hand_over(Batch {
            entries: Arc::clone(&made.entries),
            snapshot: Some(written),
            snapshots_left: Some(SNAPSHOTS_KEPT),
            published: self.outbox.confirmed(),
            ..Batch::default()
        })?;
        self.ahead = Some(made);
        Ok(())
    }
}
