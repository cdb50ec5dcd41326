//! What must be true after every step, and once faults have stopped.

use super::bus::Time;
use super::end::Out;
use chargehand_core::{Outcome, State};
use chargehand_derive::record::{self, Body};
use chargehand_derive::{Rederivation, Step};
use chargehand_ledger::{Digest, Store};
use serde::Deserialize;
use serde_json::Value;
use std::borrow::Cow;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::ControlFlow;

/// A promise that was broken.
#[derive(Debug)]
pub struct Broken(pub String);

type Kept = Result<(), Broken>;

macro_rules! want {
    ($holds:expr, $($said:tt)*) => {
        if !$holds {
            return Err(Broken(format!($($said)*)));
        }
    };
}
pub(super) use want;

/// One decision as the ledger has it.
#[derive(Clone, Debug)]
pub struct Decided {
    pub piece: String,
    pub word: String,
    pub seq: u64,
}

/// What of a message the daemon said is looked at: beats are most of what a day says.
#[derive(Debug, Deserialize)]
struct Said<'a> {
    /// Replies have none.
    seq: Option<u64>,
    #[serde(borrow)]
    id: Option<Cow<'a, str>>,
    piece: Option<Cow<'a, str>>,
    disposition: Option<Cow<'a, str>>,
    input: Option<Cow<'a, str>>,
    request: Option<Cow<'a, str>>,
    result: Option<Cow<'a, str>>,
    #[serde(default)]
    again: bool,
    code: Option<Cow<'a, str>>,
    hold: Option<Cow<'a, str>>,
    /// A beat's receipts.
    #[serde(default, borrow)]
    taken: Taken<'a>,
}

#[derive(Debug, Default, Deserialize)]
struct Taken<'a> {
    #[serde(default, borrow)]
    readings: Vec<Cow<'a, str>>,
    #[serde(default, borrow)]
    events: Vec<Cow<'a, str>>,
}

/// A second derivation that follows the ledger record by record, and what it has seen there.
#[derive(Debug)]
pub struct Promises {
    replay: Rederivation,
    pub followed: u64,
    chain: Digest,
    /// Messages that are in the ledger, by topic and bytes, with their record.
    taken: HashMap<Digest, u64>,
    /// Every decision by the name it is said under.
    pub decided: HashMap<String, Decided>,
    /// The present one of every piece.
    pub present: BTreeMap<String, String>,
    /// How often each reading's piece was decided by it.
    pub decisions: BTreeMap<String, u32>,
    /// What each request was answered, with the record.
    pub replies: BTreeMap<String, Vec<(u64, String)>>,
    /// The record of every message by the identity its sender gave it.
    inputs: HashMap<String, u64>,
    /// Records that hold a message, by its topic and bytes: more than one is twice.
    pub twice: BTreeSet<String>,
    pub records: u64,
}

/// A message's name here.
pub fn name(topic: &str, payload: &[u8]) -> Digest {
    let mut bytes = topic.as_bytes().to_vec();
    bytes.push(0);
    bytes.extend_from_slice(payload);
    Digest::of(&bytes)
}

impl Promises {
    pub fn new() -> Self {
        Self {
            replay: Rederivation::from_start(),
            followed: 0,
            chain: Digest::ZERO,
            taken: HashMap::new(),
            decided: HashMap::new(),
            present: BTreeMap::new(),
            decisions: BTreeMap::new(),
            replies: BTreeMap::new(),
            inputs: HashMap::new(),
            twice: BTreeSet::new(),
            records: 0,
        }
    }

    /// After a restart: all that was ever durable is there, unchanged.
    pub fn survived(&self, store: &dyn Store) -> Kept {
        if self.followed == 0 {
            return Ok(());
        }
        let found = store
            .record(self.followed)
            .map_err(|fault| Broken(fault.to_string()))?;
        let chain = found.map(|record| record.chain);
        want!(
            chain == Some(self.chain),
            "record {} was durable with {}, after the restart it is {chain:?}",
            self.followed,
            self.chain
        );
        Ok(())
    }

    /// Derives what is new in the ledger.
    pub fn follow(&mut self, store: &dyn Store, last: &str) -> Kept {
        let head = store.head().seq;
        let mut fresh = Vec::new();
        let read = store.read(self.followed + 1, head, &mut |record| {
            fresh.push(record);
            ControlFlow::Continue(())
        });
        read.map_err(|fault| Broken(fault.to_string()))?;
        for record in fresh {
            want!(
                record.seq == self.followed + 1,
                "record {} after {}",
                record.seq,
                self.followed
            );
            let step = self
                .replay
                .step(store, &record)
                .map_err(|fault| Broken(fault.to_string()))?;
            want!(
                step == Step::Same,
                "record {}: {step:?}, the ledger has {}",
                record.seq,
                record.outcomes
            );
            self.followed = record.seq;
            self.chain = record.chain;
            self.records += 1;
            self.note(&record, last)?;
        }
        Ok(())
    }

    fn note(&mut self, record: &chargehand_ledger::Record, last: &str) -> Kept {
        let body = record::body(record).map_err(|fault| Broken(fault.to_string()))?;
        let outcomes = record::outcomes(record).map_err(|fault| Broken(fault.to_string()))?;
        if let (Body::Message(message), Some(payload)) = (&body, &record.payload)
            && !message.retain
            && self
                .taken
                .insert(name(&message.topic, payload), record.seq)
                .is_some()
        {
            self.twice.insert(format!(
                "record {}: {}",
                record.seq,
                String::from_utf8_lossy(payload)
            ));
        }
        let sent: Option<(&str, Value)> = match (&body, &record.payload) {
            (Body::Message(message), Some(payload)) => serde_json::from_slice(payload)
                .ok()
                .map(|sent| (message.topic.as_str(), sent)),
            _ => None,
        };
        if let Some((_, sent)) = &sent
            && let Some(id) = sent["id"].as_str()
        {
            self.inputs.insert(id.to_owned(), record.seq);
        }
        // Others can be decided by the way; the piece that was read is decided once.
        let reading = sent
            .as_ref()
            .filter(|(topic, _)| topic.ends_with("/reading"))
            .and_then(|(_, sent)| Some((sent["id"].as_str()?, sent["piece"].as_str()?)));
        if let Some((id, _)) = reading {
            self.decisions.entry(id.to_owned()).or_default();
        }
        for (index, outcome) in (1..).zip(outcomes) {
            match outcome {
                Outcome::Disposition(disposition) => {
                    let id = format!("{last}-{:010}-{index}", record.seq);
                    let piece = disposition.piece.to_string();
                    if reading.is_some_and(|(_, read)| read == piece) {
                        let input = disposition.input.to_string();
                        *self.decisions.entry(input).or_default() += 1;
                    }
                    self.present.insert(piece.clone(), id.clone());
                    let word = disposition.word.to_string();
                    self.decided.insert(
                        id,
                        Decided {
                            piece,
                            word,
                            seq: record.seq,
                        },
                    );
                }
                Outcome::Reply(reply) => {
                    let answers = self.replies.entry(reply.request.to_string()).or_default();
                    answers.push((record.seq, reply.result.as_str().to_owned()));
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// The live line is what its ledger gives.
    pub fn same(&self, live: &State) -> Kept {
        let derived = self
            .replay
            .derivation()
            .map(|derivation| derivation.line().state());
        want!(
            derived == Some(live),
            "at record {} the live state differs from the derived one",
            self.followed
        );
        Ok(())
    }

    /// Nothing that was said or acknowledged is without its record, nor was when it was handed over.
    pub fn backed(&self, durable: u64, out: &Out, acknowledged: Option<Digest>) -> Kept {
        match out {
            Out::Bye => {}
            Out::Ack(_) => {
                let Some(message) = acknowledged else {
                    return Ok(());
                };
                let seq = self.taken.get(&message);
                want!(
                    seq.is_some_and(|seq| *seq <= durable),
                    "a message was acknowledged at {durable} that stands at {seq:?}"
                );
            }
            Out::Publish(publish) => {
                if publish.payload.is_empty() {
                    return Ok(());
                }
                let body: Said =
                    serde_json::from_slice(&publish.payload).expect("JSON of the daemon");
                let topic = &publish.topic;
                if topic.contains("/reply/") {
                    return self.replied(durable, &body);
                }
                want!(
                    body.seq.is_some_and(|seq| seq <= durable),
                    "{topic} says {body:?}, durable was {durable}"
                );
                for id in body.taken.readings.iter().chain(&body.taken.events) {
                    self.taken_in(durable, id)?;
                }
                if topic.ends_with("/rejected") {
                    self.taken_in(durable, body.input.as_deref().unwrap_or_default())?;
                }
                if topic.ends_with("/disposition") {
                    self.said(&body)?;
                }
            }
        }
        Ok(())
    }

    /// A receipt names what is on disk.
    fn taken_in(&self, durable: u64, id: &str) -> Kept {
        let seq = self.inputs.get(id);
        want!(
            seq.is_some_and(|seq| *seq <= durable),
            "{id} is named at {durable} as taken in, and stands at {seq:?}"
        );
        Ok(())
    }

    fn replied(&self, durable: u64, body: &Said) -> Kept {
        let known = body.request.as_ref().and_then(|id| self.replies.get(&**id));
        let known = known.and_then(|answers| answers.first());
        let says = |result: &str| body.result.as_deref() == Some(result);
        // To who asks again is said what is true now: what was placed may be free again, what waited may be done.
        let since = |result: &str| {
            body.again
                && match result {
                    "done" => says("refused") && self.is_undone(body),
                    "waiting" => true,
                    _ => false,
                }
        };
        let fits = |result: &str| says(result) || since(result);
        want!(
            known.is_some_and(|(seq, result)| *seq <= durable && fits(result)),
            "said {body:?}, decided {known:?}, durable was {durable}"
        );
        Ok(())
    }

    /// Whether what was done is so no more: a hold that was placed was freed, an advisory that was closed is open again.
    fn is_undone(&self, body: &Said) -> bool {
        let Some(derivation) = self.replay.derivation() else {
            return false;
        };
        let state = derivation.line().state();
        match (body.code.as_deref(), &body.hold) {
            (Some("opened-and-free"), Some(hold)) => state.holds.get(&**hold).is_none(),
            (Some("closed-and-open-again"), None) => state.advisories.iter().next().is_some(),
            _ => false,
        }
    }

    fn said(&self, body: &Said) -> Kept {
        let decided = body.id.as_ref().and_then(|id| self.decided.get(&**id));
        let Some(decided) = decided else {
            return Err(Broken(format!("said, and not in the ledger: {body:?}")));
        };
        let same = body.piece.as_deref() == Some(&*decided.piece)
            && body.disposition.as_deref() == Some(&*decided.word)
            && body.seq == Some(decided.seq);
        want!(same, "said {body:?}, decided {decided:?}");
        Ok(())
    }

    /// How many of these messages no record holds.
    pub fn missing(&self, sent: &[Digest]) -> usize {
        let missing = sent.iter().filter(|name| !self.taken.contains_key(*name));
        missing.count()
    }

    /// A piece passed a gate on an answer: the ledger has given it, and to that piece.
    pub fn passed(&self, piece: &str, id: &str, now: Time) -> Kept {
        let decided = self.decided.get(id);
        let holds =
            decided.is_some_and(|decided| decided.piece == piece && decided.word == "accept");
        want!(
            holds,
            "{piece} passed at {now} on {id}, which is {decided:?}"
        );
        Ok(())
    }
}
