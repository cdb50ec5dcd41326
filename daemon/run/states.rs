//! What the line says of its state: topic and content of every retained state of its own, as last flushed.
//!
//! What a batch changes is noted when it is derived ([`States::note`]) and may be said once the batch is durable
//! ([`States::flushed`]). So nothing is ever said, by a beat or a renewal either, of what is only derived. Here is also
//! kept what was last said, so that only the difference is published, what is gone included.
//!
//! A kind of state is a row of [`KINDS`] and its body in `wire/states.rs`.

use super::worker::BEAT;
use chargehand_core::{AdvisoryId, AlarmId, Span};
use chargehand_core::{
    HoldOf, HoldView, Line, Outcome, Plant, State, StationName, Taken, Timestamp,
};
use chargehand_derive::Derivation;
use chargehand_script::Rules;
use chargehand_wire::{LineStatus, Publish, Wire};
use std::collections::{BTreeMap, BTreeSet, VecDeque};

/// So many names of what is gone are kept, to clear their topics again at every connect.
const GONE_KEPT: usize = 1000;

/// When a state is said that has changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Pace {
    /// At once and before all else: gates.
    Urgent,
    /// At once.
    AtOnce,
    /// With the next beat: what changes often, and costs more the more there is.
    WithBeat,
}

/// Writes a state for the bus, at the time it is said.
type Say = Box<dyn Fn(&Wire, Timestamp) -> Publish>;

/// A kind of retained state: everything that is particular to it. A state goes by its kind and a name.
struct Kind {
    pace: Pace,
    /// The names of those that an outcome changes.
    touched: fn(&Plant, &Outcome) -> Vec<String>,
    /// All there are.
    present: fn(&Plant, &State) -> Vec<String>,
    /// Those that are not any more: an earlier process may have left their topics.
    past: fn(&State) -> Vec<String>,
    /// What one says; none for one that is gone.
    content: fn(&Derivation, &str, Timestamp) -> Option<Say>,
    /// Clears its topic; `seq` is the record behind which it was gone.
    clear: fn(&Wire, &str, u64, Timestamp) -> Publish,
}

const KINDS: &[Kind] = &[
    // Whether pieces may pass a gate.
    Kind {
        pace: Pace::Urgent,
        touched: |plant, outcome| match outcome {
            Outcome::Hold(hold) => gates_of(plant, &hold.of),
            Outcome::Freed(freed) => gates_of(plant, &freed.of),
            _ => Vec::new(),
        },
        present: |plant, _| gates(plant),
        past: |state| state.gates.gone().map(ToString::to_string).collect(),
        content: |derivation, gate, _| hold(derivation.line(), gate),
        clear: Wire::hold_cleared,
    },
    Kind {
        pace: Pace::AtOnce,
        touched: |_, outcome| match outcome {
            Outcome::Alarm(alarm) => vec![alarm.id.to_string()],
            Outcome::Cleared { alarm } => vec![alarm.to_string()],
            _ => Vec::new(),
        },
        present: |_, state| {
            state
                .alarms
                .iter()
                .map(|alarm| alarm.id.to_string())
                .collect()
        },
        past: |state| {
            state
                .alarms
                .past()
                .iter()
                .map(ToString::to_string)
                .collect()
        },
        content: |derivation, id, _| {
            if observes_all(derivation) {
                return None;
            }
            let alarms = &derivation.line().state().alarms;
            let alarm = alarms.get(&AlarmId::from(id))?.clone();
            Some(Box::new(move |wire, now| wire.alarm(&alarm, now)))
        },
        clear: Wire::alarm_cleared,
    },
    Kind {
        pace: Pace::AtOnce,
        touched: |_, outcome| match outcome {
            Outcome::Advisory(advisory) => vec![advisory.id.to_string()],
            Outcome::Closed(closed) => vec![closed.advisory.to_string()],
            _ => Vec::new(),
        },
        present: |_, state| {
            state
                .advisories
                .iter()
                .map(|advisory| advisory.id.to_string())
                .collect()
        },
        past: |state| {
            state
                .advisories
                .past()
                .iter()
                .map(ToString::to_string)
                .collect()
        },
        content: |derivation, id, _| {
            if observes_all(derivation) {
                return None;
            }
            let advisories = &derivation.line().state().advisories;
            let advisory = advisories.get(&AdvisoryId::from(id))?.clone();
            Some(Box::new(move |wire, now| wire.advisory(&advisory, now)))
        },
        clear: Wire::advisory_cleared,
    },
    // Everything open, of which there may be much.
    Kind {
        pace: Pace::WithBeat,
        touched: |_, outcome| match outcome {
            Outcome::Hold(_)
            | Outcome::Freed(_)
            | Outcome::Alarm(_)
            | Outcome::Cleared { .. }
            | Outcome::Advisory(_)
            | Outcome::Closed(_) => vec![String::new()],
            _ => Vec::new(),
        },
        present: |_, _| vec![String::new()],
        past: |_| Vec::new(),
        content: |derivation, _, now| {
            let open = derivation.wire().open(derivation.line().state(), now);
            Some(Box::new(move |_, _| open.clone()))
        },
        clear: |_, _, _, _| unreachable!("what is open is always said"),
    },
];

fn gates(plant: &Plant) -> Vec<String> {
    let gates = plant.stations.iter().filter(|it| it.gate.is_some());
    gates.map(|station| station.name.to_string()).collect()
}

/// Whether nobody is called by alarms and advisories either; `open` names them.
fn observes_all(derivation: &Derivation) -> bool {
    let observing = &derivation.line().state().observing;
    observing.stations().len() == derivation.plant().stations.len()
}

/// The gates that a hold may concern: of one piece none.
fn gates_of(plant: &Plant, of: &HoldOf) -> Vec<String> {
    match of {
        HoldOf::Piece(_) => Vec::new(),
        HoldOf::Station(station) => {
            let found = plant.station(station.as_str());
            let gate = found.filter(|station| station.gate.is_some());
            gate.map(|gate| gate.name.to_string()).into_iter().collect()
        }
        HoldOf::Stratum(..) => gates(plant),
    }
}

/// Nothing where the line does not command: a gate that is told nothing keeps to itself.
fn hold(line: &Line<Rules>, gate: &str) -> Option<Say> {
    if !line.state().observing.may_pass_on(gate) {
        return None;
    }
    let HoldView {
        effect,
        seq,
        only,
        holds,
        count,
    } = line.hold_view(gate)?;
    let gate = gate.to_owned();
    let only = only.map(|(stratum, value)| (stratum.clone(), value.to_owned()));
    let holds: Vec<_> = holds.into_iter().cloned().collect();
    Some(Box::new(move |wire, now| {
        let view = HoldView {
            effect,
            seq,
            only: only.as_ref().map(|(stratum, value)| (stratum, &**value)),
            holds: holds.iter().collect(),
            count,
        };
        wire.hold(&gate, &view, now)
    }))
}

/// A kind, by its row, and a name.
type Key = (usize, String);

/// What is said of a state, none once it is gone, and the record behind which that is so.
struct Shown {
    say: Option<Say>,
    seq: u64,
}

/// The states of a line as last flushed, and which of them are still to be said.
pub(super) struct States {
    entries: BTreeMap<Key, Shown>,
    unsaid: BTreeSet<Key>,
    /// When what expires is said again.
    renewals: BTreeMap<Key, Timestamp>,
    /// What is gone, the newest last.
    gone: VecDeque<Key>,
    /// Touched, and to be said with a beat: the content is made once for all that changes until then.
    touched: BTreeSet<Key>,
    /// When such content was last made.
    made: Timestamp,
    status: LineStatus,
    status_is_new: bool,
    newest: BTreeMap<StationName, Taken>,
}

/// What a batch changes, until it is durable.
#[derive(Default)]
#[must_use = "what is flushed may be said"]
pub(super) struct Change {
    entries: Vec<(Key, Shown)>,
    status: Option<LineStatus>,
    newest: Vec<(StationName, Taken)>,
}

impl States {
    /// The states of a line all of whose records are durable.
    pub(super) fn of(derivation: &Derivation, now: Timestamp) -> Self {
        let (plant, state) = (derivation.plant(), derivation.line().state());
        let mut states = Self {
            entries: BTreeMap::new(),
            unsaid: BTreeSet::new(),
            renewals: BTreeMap::new(),
            gone: VecDeque::new(),
            touched: BTreeSet::new(),
            made: now,
            status: LineStatus::of(state, plant),
            status_is_new: true,
            newest: state.taken.clone(),
        };
        for (row, kind) in (0..).zip(KINDS) {
            let names = (kind.past)(state).into_iter();
            for name in names.chain((kind.present)(plant, state)) {
                let key = (row, name);
                let entry = entry(derivation, &key, now);
                states.put(key, entry);
            }
        }
        states
    }

    /// What a batch changes that has just been derived. `heard` are the stations that it is from.
    pub(super) fn note<'b>(
        &mut self,
        derivation: &Derivation,
        outcomes: &[Vec<Outcome>],
        heard: impl Iterator<Item = &'b StationName>,
        now: Timestamp,
    ) -> Change {
        if outcomes.is_empty() {
            return Change::default();
        }
        let (plant, state) = (derivation.plant(), derivation.line().state());
        let mut keys = BTreeSet::new();
        for outcome in outcomes.iter().flatten() {
            // Whatever is said depends on these.
            let all = matches!(outcome, Outcome::InForce(_) | Outcome::Stance { .. });
            for (row, kind) in (0..).zip(KINDS) {
                let names = match all {
                    true => (kind.present)(plant, state)
                        .into_iter()
                        .chain((kind.past)(state))
                        .collect(),
                    false => (kind.touched)(plant, outcome),
                };
                let keys = match kind.pace {
                    Pace::WithBeat => &mut self.touched,
                    Pace::Urgent | Pace::AtOnce => &mut keys,
                };
                keys.extend(names.into_iter().map(|name| (row, name)));
            }
        }
        // Under load there may always be a batch that is not flushed yet: then it is made here.
        if !self.touched.is_empty() && now >= self.made + BEAT + BEAT {
            self.made = now;
            keys.append(&mut self.touched);
        }
        let mut heard: Vec<&StationName> = heard.collect();
        heard.sort_unstable();
        heard.dedup();
        let newest = |name: &StationName| Some((name.clone(), state.taken.get(name)?.clone()));
        Change {
            entries: keys
                .into_iter()
                .map(|key| {
                    let entry = entry(derivation, &key, now);
                    (key, entry)
                })
                .collect(),
            status: Some(LineStatus::of(state, plant)),
            newest: heard.into_iter().filter_map(newest).collect(),
        }
    }

    /// The batch is durable: what it changed may be said.
    pub(super) fn flushed(&mut self, change: Change) {
        for (key, entry) in change.entries {
            self.put(key, entry);
        }
        if let Some(status) = change.status {
            self.status_is_new |= status != self.status;
            self.status = status;
        }
        self.newest.extend(change.newest);
    }

    /// Makes what waits for a beat. To be called only while all that was derived is flushed.
    pub(super) fn settle(&mut self, derivation: &Derivation, now: Timestamp) {
        for key in std::mem::take(&mut self.touched) {
            self.made = now;
            let entry = entry(derivation, &key, now);
            self.put(key, entry);
        }
    }

    fn put(&mut self, key: Key, entry: Shown) {
        let is_gone = entry.say.is_none();
        self.gone.retain(|gone| *gone != key);
        if is_gone {
            self.renewals.remove(&key);
            self.gone.push_back(key.clone());
            if self.gone.len() > GONE_KEPT
                && let Some(oldest) = self.gone.pop_front()
            {
                self.entries.remove(&oldest);
                self.unsaid.remove(&oldest);
            }
        }
        self.unsaid.insert(key.clone());
        self.entries.insert(key, entry);
    }

    /// A new connection: everything is to be said, and the topics of what is gone cleared.
    pub(super) fn connected(&mut self) {
        self.unsaid = self.entries.keys().cloned().collect();
        self.renewals.clear();
        self.status_is_new = true;
    }

    /// What is to be said now at this pace: what is new, and what would expire.
    pub(super) fn say(&mut self, pace: Pace, wire: &Wire, now: Timestamp) -> Vec<Publish> {
        let of_pace = |key: &Key| KINDS[key.0].pace == pace;
        let due = |(key, at): (&Key, &Timestamp)| (of_pace(key) && now >= *at).then(|| key.clone());
        let due: Vec<Key> = self.renewals.iter().filter_map(due).collect();
        self.unsaid.extend(due);
        let keys: Vec<Key> = self
            .unsaid
            .iter()
            .filter(|key| of_pace(key))
            .cloned()
            .collect();
        let mut publishes = Vec::with_capacity(keys.len());
        for key in keys {
            self.unsaid.remove(&key);
            let Some(entry) = self.entries.get(&key) else {
                continue;
            };
            let (row, name) = &key;
            let publish = match &entry.say {
                Some(say) => say(wire, now),
                None => (KINDS[*row].clear)(wire, name, entry.seq, now),
            };
            // A third of its validity after it was said.
            match publish.expiry_s {
                Some(valid) => {
                    let again = now + Span(i64::from(valid) * 1_000_000 / 3);
                    self.renewals.insert(key, again);
                }
                None => {
                    self.renewals.remove(&key);
                }
            }
            publishes.push(publish);
        }
        publishes
    }

    /// What the status says of the line.
    pub(super) fn status(&self) -> &LineStatus {
        &self.status
    }

    /// Whether that has changed since it was asked last, or on this connection was never asked.
    pub(super) fn status_is_new(&mut self) -> bool {
        std::mem::take(&mut self.status_is_new)
    }

    /// The newest that was taken in from a station.
    pub(super) fn newest(&self, station: &StationName) -> Option<&Taken> {
        self.newest.get(station)
    }
}

fn entry(derivation: &Derivation, (row, name): &Key, now: Timestamp) -> Shown {
    Shown {
        say: (KINDS[*row].content)(derivation, name, now),
        seq: derivation.line().state().seq,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use chargehand_derive::Texts;
    use chargehand_derive::record::{Body, MessageBody};
    use chargehand_script::Rulebook;
    use serde_json::Value;

    const PLANT: &str = r#"
[line]
base = "brook/forge/l1"
zone = "Europe/Berlin"
takt_s = 24
rules = "rules"

[[station]]
name = "s30"
place = 4
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }
"#;

    fn at(second: i64) -> Timestamp {
        Timestamp(1_772_000_000_000_000 + second * 1_000_000)
    }

    /// A line at its start, on a connection where all was said.
    struct World {
        derivation: Derivation,
        states: States,
    }

    impl World {
        fn start() -> Self {
            let texts = Texts {
                plant: PLANT.into(),
                rulebook: Rulebook::of(Vec::new()).to_text(),
            };
            let derivation = Derivation::new(&texts, "plant.toml", State::default());
            let mut derivation = derivation.unwrap_or_else(|fault| panic!("{fault}"));
            derivation.derive(1, at(0), &Body::Start(texts.start(None)), &[]);
            let mut states = States::of(&derivation, at(0));
            states.connected();
            let mut world = Self { derivation, states };
            assert_eq!(
                world.said(0),
                ["s30/hold released", "open 0 holds, 0 alarms"]
            );
            world
        }

        fn derive(&mut self, second: i64, body: &Body, payload: &str) -> Change {
            let seq = self.derivation.line().state().seq + 1;
            let outcomes = self
                .derivation
                .derive(seq, at(second), body, payload.as_bytes());
            assert!(!outcomes.is_empty(), "{payload}");
            let heard = [StationName::from("s30")];
            self.states
                .note(&self.derivation, &[outcomes], heard.iter(), at(second))
        }

        fn message(&mut self, second: i64, topic: &str, payload: &str) -> Change {
            let message = MessageBody {
                topic: format!("brook/forge/l1/{topic}"),
                ..MessageBody::default()
            };
            self.derive(second, &Body::Message(message), payload)
        }

        /// Everything said now: topic and state, empty for one that is cleared.
        fn said(&mut self, second: i64) -> Vec<String> {
            let wire = self.derivation.wire();
            let mut said = Vec::new();
            for pace in [Pace::Urgent, Pace::AtOnce, Pace::WithBeat] {
                for publish in self.states.say(pace, wire, at(second)) {
                    let topic = publish.topic.trim_start_matches("brook/forge/l1/");
                    let body: Value = serde_json::from_slice(&publish.payload).unwrap_or_default();
                    let state = match (topic, body["state"].as_str()) {
                        ("open", _) => {
                            format!("{} holds, {} alarms", body["holds"], body["alarms"])
                        }
                        (_, state) => state.unwrap_or_default().to_owned(),
                    };
                    said.push(format!("{topic} {state}"));
                }
            }
            said
        }
    }

    #[test]
    fn nothing_is_said_of_what_is_only_derived() {
        let mut world = World::start();
        let place = r#"{"id":"q1","by":"A","reason":"so","of":{"station":"s30"}}"#;
        let change = world.message(1, "request/place-hold", place);
        assert_eq!(world.said(1), [""; 0]);
        assert_eq!(
            world.said(4),
            ["s30/hold released"],
            "a renewal, of what is flushed"
        );
        world.states.flushed(change);
        assert_eq!(world.said(4), ["s30/hold held"]);
        assert_eq!(world.said(60), [""; 0], "held does not expire");
        world.states.settle(&world.derivation, at(60));
        assert_eq!(world.said(60), ["open 1 holds, 0 alarms"]);
        world.states.settle(&world.derivation, at(61));
        assert_eq!(world.said(61), [""; 0], "nothing has changed");
    }

    #[test]
    fn where_a_batch_is_always_on_its_way_what_is_open_is_said_with_one() {
        let mut world = World::start();
        let hold = |id: u32| {
            format!(r#"{{"id":"q{id}","by":"A","reason":"so","of":{{"station":"s30"}}}}"#)
        };
        let change = world.message(1, "request/place-hold", &hold(1));
        world.states.flushed(change);
        assert_eq!(world.said(1), ["s30/hold held"]);
        let change = world.message(2, "request/place-hold", &hold(2));
        assert_eq!(world.said(2), [""; 0]);
        world.states.flushed(change);
        assert!(world.said(2).contains(&"open 2 holds, 0 alarms".to_owned()));
    }

    #[test]
    fn what_is_gone_is_cleared_and_cleared_again_at_every_connect() {
        let mut world = World::start();
        for id in ["b1", "b2"] {
            let birth = format!(r#"{{"id":"{id}","kind":"birth","piece":"K1"}}"#);
            let change = world.message(1, "s30/event", &birth);
            world.states.flushed(change);
        }
        assert_eq!(world.said(1), ["alarm/identity-s30 active"]);
        let quiet = 601;
        let change = world.derive(quiet, &Body::Due, "");
        assert_eq!(world.said(quiet), ["s30/hold released"]);
        world.states.flushed(change);
        let cleared = world.said(quiet);
        assert!(
            cleared.contains(&"alarm/identity-s30 ".to_owned()),
            "{cleared:?}"
        );
        let all = [
            "s30/hold released",
            "alarm/identity-s30 ",
            "open 0 holds, 0 alarms",
        ];
        world.states.connected();
        assert_eq!(world.said(quiet), all);
        // Another process knows it, too.
        world.states = States::of(&world.derivation, at(quiet));
        assert_eq!(world.said(quiet), all);
    }
}
