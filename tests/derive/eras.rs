//! A line that goes on from what another version wrote: from its state after an orderly stop, from its records after
//! a kill, where they derive the same, and not at all where they do not.
//!
//! The other version's ledger is this one's with another number in it, and with what that version did otherwise.

use super::memory::Memory;
use super::world::{World, deep, incoming, texts};
use crate::support::clock::Standing;
use chargehand::run::{RecoverFault, recover};
use chargehand_core::{PieceId, SEMANTICS, Speaker, State, Timestamp, before};
use chargehand_derive::Texts;
use chargehand_derive::record::{self, Body};
use chargehand_derive::{Rederivation, Step};
use chargehand_ledger::{Batch, Blob, Digest, Entry, Snapshot, Store};
use chargehand_words::say;
use serde_json::{Value, json};
use std::collections::BTreeMap;

const PLANT: &str = include_str!("plant.toml");
const RULE: &str = include_str!("../../rules/mass-miss.rhai");
/// The other version's number: the last one whose memory had other places.
const OTHER: u32 = before::KEPT_ALIKE_SINCE - 1;
const BEGIN: i64 = 1_772_427_600_000_000;

fn at(second: i64) -> Timestamp {
    Timestamp(BEGIN + second * 1_000_000)
}

fn now() -> Texts {
    texts(PLANT, &[("mass-miss.rhai", RULE)])
}

/// What another version left: its rulebook, whether it stopped in order, and words of its records that this one would
/// not have written.
#[derive(Clone, Copy)]
struct Left<'a> {
    rule: &'a str,
    orderly: bool,
    otherwise: (&'a str, &'a str),
}

/// A rule's text as that version would have put it.
const OTHERWISE: (&str, &str) = ("off nominal", "off the nominal");

const ALIKE: Left<'static> = Left {
    rule: RULE,
    orderly: false,
    otherwise: ("", ""),
};

/// A memory in the places where the version before kept it, pieces by name.
fn as_before(state: &State) -> String {
    let mut now = serde_json::to_value(state).expect("plain data");
    let name = |id: &Value| {
        let piece = state.pieces.get(PieceId(id.as_u64().expect("a number")));
        json!(piece.expect("it is known").name())
    };
    for hold in now["holds"]["open"]
        .as_object_mut()
        .expect("holds")
        .values_mut()
    {
        let of = &mut hold["of"]["piece"];
        *of = name(of);
    }
    for at in now["gates"]["standing"]
        .as_object_mut()
        .expect("gates")
        .values_mut()
    {
        for kept in at["kept"].as_array_mut().expect("a list") {
            *kept = name(kept);
        }
        for passing in at["passing"].as_array_mut().expect("a list") {
            passing[1] = name(&passing[1]);
        }
    }
    let pieces = state.pieces.iter().map(|(id, piece)| {
        let mut then = json!(piece);
        let at = then["at"].take();
        for (field, value) in at.as_object().expect("where it is") {
            then[field] = value.clone();
        }
        then["born"] = json!(id);
        then["points"] = json!(piece.evidence.points());
        then["gaps"] = json!(piece.evidence.gaps());
        (piece.name().to_string(), then)
    });
    let pieces: BTreeMap<String, Value> = pieces.collect();
    let mut take = |part: &str, field: &str| now[part][field].take();
    let mut moved = [
        ("born", "pieces", "heard"),
        ("holds_opened", "holds", "opened"),
        ("holds", "holds", "open"),
        ("gauges", "gauges", "known"),
        ("alarms", "alarms", "active"),
        ("gates_at", "gates", "changed"),
        ("standing", "gates", "standing"),
    ]
    .map(|(old, part, field)| (old, take(part, field)));
    let gates = moved[5].1.take();
    for (name, value) in moved {
        now[name] = value;
    }
    now["pieces"] = json!(pieces);
    now["gates"] = gates;
    now["alarms_past"] = json!([]);
    now["gates_past"] = json!([]);
    now["advisories"] = json!({});
    now.to_string()
}

impl Left<'_> {
    /// Its ledger, and the state it stopped with.
    fn ledger(self) -> (Memory, State) {
        let ours = now();
        let theirs = texts(PLANT, &[("mass-miss.rhai", self.rule)]);
        let mut world = World::new(ours.clone(), at(0));
        for (second, piece, mass) in [
            (1, "P1", "1450.0"),
            (2, "P2", "1380.1"),
            (3, "P3", "1420.0"),
        ] {
            let payload =
                format!(r#"{{"id":"i{piece}","piece":"{piece}","values":{{"mass":{mass}}}}}"#);
            world.message(
                at(second),
                incoming("vennick/castware/l1/s30/reading", payload),
            );
        }
        let own = format!("\"semantics\":{SEMANTICS}");
        let word = |text: &str| {
            text.replace(&own, &format!("\"semantics\":{OTHER}"))
                .replace(
                    ours.rulebook_digest().as_str(),
                    theirs.rulebook_digest().as_str(),
                )
        };
        let mut entries: Vec<Entry> = world
            .store
            .records()
            .iter()
            .map(|record| {
                let (this, that) = self.otherwise;
                let outcomes = match this {
                    "" => record.outcomes.clone(),
                    this => record.outcomes.replace(this, that),
                };
                Entry {
                    at_us: record.at_us,
                    input: word(&record.input),
                    payload: record.payload.clone(),
                    outcomes: word(&outcomes),
                    ..Entry::default()
                }
            })
            .collect();
        let state = word(&as_before(world.state()));
        let kept_at = world.store.head().seq;
        if self.orderly {
            let digest = Digest::of(state.as_bytes()).to_string();
            entries.push(Entry {
                at_us: entries.last().expect("it started").at_us,
                input: record::text(&Body::Kept {
                    state: digest.as_str().into(),
                    after: None,
                }),
                outcomes: "[]".to_owned(),
                ..Entry::default()
            });
        }
        let blob = |kind: &str, text: &str| Blob {
            kind: kind.to_owned(),
            bytes: text.as_bytes().to_vec(),
        };
        let mut store = Memory::default();
        let appended = store.append(Batch {
            from: None,
            entries: entries.into(),
            blobs: vec![
                blob("plant", &theirs.plant),
                blob("rulebook", &theirs.rulebook),
            ],
            snapshot: self
                .orderly
                .then(|| Snapshot::of(kept_at, OTHER, state.clone().into_bytes())),
            snapshots_left: None,
            published: 0,
        });
        appended.unwrap_or_else(|fault| panic!("{fault}"));
        let mut state = if self.orderly {
            let before: before::State = serde_json::from_str(&state).expect("a state reads back");
            State::from(before)
        } else {
            let state = word(&record::text(world.state()));
            serde_json::from_str(&state).expect("a state reads back")
        };
        state.seq = store.head().seq;
        (store, state)
    }
}

/// This version goes on from it.
fn goes_on(left: Left<'_>, derived_again: u64) {
    let (mut store, state) = left.ledger();
    let before = store.head().seq;
    let recovered = start(&mut store).unwrap_or_else(|fault| panic!("{fault}"));
    assert_eq!(recovered, derived_again);
    // It opens an era of its own, with the state it found.
    let opening = store.snapshots().expect("memory can be read")[0];
    assert_eq!((opening.seq, opening.semantics), (before, SEMANTICS));
    assert!(opening.kept, "an era's opening stays");
    let found = store.record(before + 1).expect("memory can be read");
    let found = found.expect("a start");
    let Ok(Body::Start(start)) = record::body(&found) else {
        panic!("no start: {}", found.input);
    };
    let opens_with = start.opens_with.map(|digest| digest.to_string());
    assert_eq!(opens_with, Some(opening.digest.to_string()));
    assert_eq!(
        opening.digest,
        Digest::of(record::text(&state).as_bytes()),
        "what that version stopped with"
    );
    // Years later: the old records are another era's, the new ones derive.
    let mut replay = Rederivation::from_start();
    for record in store.records() {
        let wanted = match record.seq > before {
            true => Step::Same,
            false => Step::OtherEra(OTHER),
        };
        let step = replay.step(&store, record);
        assert_eq!(step.unwrap_or_else(|fault| panic!("{fault}")), wanted);
    }
}

/// Starts this version on it; how many records it derived again.
fn start(store: &mut Memory) -> Result<u64, RecoverFault> {
    let clock = Standing::at(at(60));
    recover(store, &now(), "the test's plant", &clock).map(|recovered| recovered.replayed)
}

fn refused(left: Left<'_>, says: &[&str]) {
    let (mut store, _) = left.ledger();
    let head = store.head();
    let fault = start(&mut store)
        .expect_err("it must not start")
        .to_string();
    for words in says {
        assert!(fault.contains(words), "{words}: {fault}");
    }
    assert_eq!(store.head(), head, "nothing was written");
}

#[test]
fn an_orderly_stop_of_another_version_is_gone_on_from() {
    deep(|| {
        goes_on(
            Left {
                orderly: true,
                ..ALIKE
            },
            1,
        );
        // Also where that version decided otherwise: what was said stands.
        let otherwise = OTHERWISE;
        goes_on(
            Left {
                orderly: true,
                otherwise,
                ..ALIKE
            },
            1,
        );
        // And where this one would refuse its rulebook.
        let rule = &RULE.replace("remelt(", "melt_again(");
        goes_on(
            Left {
                orderly: true,
                rule,
                ..ALIKE
            },
            1,
        );
    });
}

#[test]
fn a_tail_of_another_version_is_gone_on_from_only_where_it_derives_the_same() {
    deep(|| {
        goes_on(ALIKE, 4);
        refused(
            Left {
                otherwise: OTHERWISE,
                ..ALIKE
            },
            &["record 3 was written under semantics", "stop it in order"],
        );
        let rule = &RULE.replace("remelt(", "melt_again(");
        refused(
            Left { rule, ..ALIKE },
            &[
                "record 1: this version refuses",
                "stop it in order",
                "melt_again",
            ],
        );
    });
}

/// A memory as the version before left it at an orderly stop: written by that version, of messages sent to it by hand.
#[test]
fn the_memory_of_the_version_before_is_read() {
    let text = include_str!("state-3.json");
    let before: before::State = serde_json::from_str(text).expect("as it wrote it");
    let state = State::from(before);
    let holds = state.holds.iter().map(|hold| {
        let of = format!("{:?}", hold.of);
        format!("{} {of} {} {}", hold.id, hold.rule, say(&hold.reason))
    });
    let expect = [
        "h-000001 Piece(PieceId(1)) engine:tolerance mass 1480.0 g is above 1475.0 g",
        "h-000002 Stratum(StratumName(\"mould\"), \"M2\") person:QE-1 parting line",
        "h-000006 Station(StationName(\"s60\")) person:QE-1 nozzle",
    ];
    let holds: Vec<String> = holds.collect();
    for line in expect {
        assert!(holds.iter().any(|hold| hold == line), "{line}\n{holds:#?}");
    }
    assert_eq!(holds.len(), 6);
    assert_eq!(
        state
            .holds
            .of_piece(state.pieces.id("P1").expect("it is known"))
            .count(),
        1
    );
    assert!(!state.gauges.healthy("lc-1"));
    assert!(state.alarms.get("gauge-lc-1").is_some());
    let piece = state.pieces.named("P3").expect("it is known");
    let gap = piece.evidence.gaps().last().expect("evidence is missing");
    assert_eq!(Speaker::from(gap.duty).to_string(), "engine:conflict");
    // Written again it is this version's, and reads back.
    let again: State = serde_json::from_str(&record::text(&state)).expect("reads back");
    assert_eq!(again, state);
}

/// The memory that semantics 4 left has the places of now: it is read as it is, and not a word of it is lost.
#[test]
fn the_memory_of_semantics_4_is_a_memory_of_now() {
    let text = include_str!("state-4.json");
    let state: State = serde_json::from_str(text).expect("as it wrote it");
    assert_eq!(record::text(&state), text.trim_end());
    let holds = state.holds.iter().map(|hold| say(&hold.reason));
    let holds: Vec<String> = holds.map(|reason| reason.to_string()).collect();
    assert_eq!(
        holds,
        [
            "mass 1480.0 g is above 1475.0 g",
            "so",
            "stood at s60 while h-000002 was open: so"
        ]
    );
}
