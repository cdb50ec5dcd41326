//! What must be true after any kills: ledger, stations and observer are compared, all faults named at once.

use super::book::{Book, Decision};
use super::line::{GATES, HELD, text};
use super::observer::Said;
use super::stations::Report;
use crate::support::daemon::{chargehand, stderr, stdout};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// More faults than these tell nothing new.
const SHOWN: usize = 12;

/// Collects what is wrong.
#[derive(Default)]
pub struct Proof(Vec<String>);

impl Proof {
    /// Notes a fault unless `holds`.
    pub fn want(&mut self, holds: bool, fault: impl FnOnce() -> String) {
        if !holds {
            self.0.push(fault());
        }
    }

    /// Panics with what was found.
    pub fn done(self) {
        let shown = self
            .0
            .iter()
            .take(SHOWN)
            .cloned()
            .collect::<Vec<_>>()
            .join("\n  ");
        assert!(self.0.is_empty(), "{} faults:\n  {shown}", self.0.len());
    }

    /// Every reading is in the ledger once, and once decided or rejected.
    pub fn once_each(&mut self, book: &Book, reports: &BTreeMap<&str, Report>) {
        let mut named: BTreeMap<&str, u32> = BTreeMap::new();
        let rejected = book.rejected.iter().map(String::as_str);
        for input in book
            .decisions
            .iter()
            .map(|decision| decision.input.as_str())
            .chain(rejected)
        {
            *named.entry(input).or_default() += 1;
        }
        let sent: BTreeSet<&str> = reports
            .values()
            .flat_map(|report| report.readings.keys())
            .map(String::as_str)
            .collect();
        for id in &sent {
            let records = book.readings.get(*id).map_or(0, Vec::len);
            self.want(records == 1, || format!("{id}: {records} records hold it"));
            let decided = named.get(id).copied().unwrap_or(0);
            self.want(decided == 1, || {
                format!("{id}: {decided} dispositions and rejections name it")
            });
        }
        for id in book.readings.keys() {
            self.want(sent.contains(id.as_str()), || {
                format!("{id}: in the ledger, and no station sent it")
            });
        }
    }

    /// Every reading was answered, and as its station knows it has to be: what was made far too light goes
    /// back to the melt, all else passes.
    pub fn answered_truly(&mut self, book: &Book, reports: &BTreeMap<&str, Report>) {
        let present = book.present();
        for (id, reading) in reports.values().flat_map(|report| &report.readings) {
            self.want(reading.done == "answered", || {
                format!("{id}: its station says {:?}", reading.done)
            });
            let (word, rule) = if reading.gross {
                ("remelt", Some("mass-miss"))
            } else {
                ("accept", None)
            };
            let said = present.get(reading.piece.as_str());
            let true_word = said.is_some_and(|said| said.word == word);
            let true_rule = said.is_some_and(|said| match rule {
                Some(rule) => said.rules.iter().any(|found| found.starts_with(rule)),
                None => said.rules.is_empty(),
            });
            self.want(true_word && true_rule, || {
                format!("{id}: wanted {word} by {rule:?}, the ledger has {said:?}")
            });
        }
    }

    /// Every decision that holds was heard, by its station or by the observer, as it stands in the ledger;
    /// no copy under the same name ever said anything else.
    pub fn heard(&mut self, book: &Book, reports: &BTreeMap<&str, Report>, said: &[Said]) {
        let by_id: BTreeMap<&str, &Decision> = book
            .decisions
            .iter()
            .map(|one| (one.id.as_str(), one))
            .collect();
        let mut heard: BTreeSet<String> = BTreeSet::new();
        let at_stations = reports.values().flat_map(|report| {
            let asked = report
                .readings
                .values()
                .flat_map(|reading| &reading.answers);
            asked.chain(&report.unasked)
        });
        let on_bus = said
            .iter()
            .filter(|said| said.word == "disposition")
            .map(|said| &said.body);
        for answer in at_stations.chain(on_bus) {
            let id = text(&answer["id"]);
            match by_id.get(id.as_str()) {
                None => self.want(false, || format!("said, and not in the ledger: {answer}")),
                Some(stands) => self.want(agrees(stands, answer), || {
                    format!("said {answer}, decided {stands:?}")
                }),
            }
            heard.insert(id);
        }
        for decision in book.present().values() {
            self.want(heard.contains(&decision.id), || {
                format!("nobody heard {decision:?}")
            });
        }
    }

    /// No station obeyed what a higher place had overtaken, and all obeyed what holds.
    pub fn obeyed(&mut self, book: &Book, reports: &BTreeMap<&str, Report>) {
        let present = book.present();
        for (id, reading, report) in reports.values().flat_map(|report| {
            report
                .readings
                .iter()
                .map(move |(id, reading)| (id, reading, report))
        }) {
            let seqs = reading.answers.iter().chain(
                report
                    .unasked
                    .iter()
                    .filter(|row| row["piece"] == reading.piece.as_str()),
            );
            let highest = seqs.filter_map(|answer| answer["seq"].as_u64()).max();
            let obeyed = report.obeyed.get(&reading.piece);
            let seq = obeyed.and_then(|row| row["seq"].as_u64());
            self.want(seq.is_some() && seq == highest, || {
                format!("{id}: obeyed {obeyed:?}, heard up to {highest:?}")
            });
            let holds = present.get(reading.piece.as_str()).map(|said| said.seq);
            self.want(seq == holds, || {
                format!("{id}: obeyed {obeyed:?}, {holds:?} holds")
            });
        }
    }

    /// Every head that was said is still there: nothing that was ever visible was lost.
    pub fn heads(&mut self, book: &Book, said: &[Said]) {
        for head in said.iter().filter(|said| said.word == "head") {
            let seq = head.body["seq"].as_u64().unwrap_or(0);
            let stands = book.chain.get(&seq).map(String::as_str);
            self.want(stands == head.body["head"].as_str(), || {
                format!("said {}, the ledger has {stands:?}", head.body)
            });
        }
    }

    /// No permission came while the state was being rebuilt: every life said all its holds before its first
    /// beat, the held gate was never free, and no hold went back to a lower place.
    pub fn holds(&mut self, said: &[Said]) {
        let mut gates: BTreeSet<&str> = BTreeSet::new();
        let mut places: BTreeMap<&str, u64> = BTreeMap::new();
        let mut held = false;
        for one in said {
            match one.word.as_str() {
                "status" if one.body["state"] == "offline" => gates.clear(),
                "beat" => self.want(gates.len() == GATES.len(), || {
                    format!(
                        "{} beat when only the holds of {gates:?} had been said",
                        one.station
                    )
                }),
                "hold" => {
                    gates.insert(&one.station);
                    let seq = one.body["seq"].as_u64().unwrap_or(0);
                    let place = places.entry(&one.station).or_default();
                    self.want(seq >= *place, || {
                        format!("{}: {} after {place}", one.station, one.body)
                    });
                    *place = seq;
                    if one.station == HELD {
                        held |= one.body["state"] == "held";
                        self.want(!held || one.body["state"] == "held", || {
                            format!("{HELD} is held and heard {}", one.body)
                        });
                    }
                }
                _ => {}
            }
        }
        self.want(held, || format!("{HELD} was never held"));
    }

    /// The same pieces, dispositions, routes and rules as in a run that nobody disturbed.
    pub fn same(&mut self, book: &Book, undisturbed: &Book) {
        let (here, there) = (book.verdicts(), undisturbed.verdicts());
        for input in here.keys().chain(there.keys()).collect::<BTreeSet<_>>() {
            let (one, other) = (here.get(input), there.get(input));
            self.want(one == other, || {
                format!("{input}: {one:?}, undisturbed {other:?}")
            });
        }
    }

    /// The program itself finds nothing wrong with its ledger.
    pub fn verified(&mut self, ledger: &Path) {
        let verified = chargehand(&[
            "verify",
            "--ledger",
            ledger.to_str().expect("a readable path"),
        ]);
        let said = || {
            format!(
                "verify ended with {}: {}{}",
                verified.status,
                stdout(&verified),
                stderr(&verified)
            )
        };
        self.want(verified.status.code() == Some(0), said);
    }
}

fn agrees(stands: &Decision, answer: &Value) -> bool {
    let rules = match &answer["reasons"] {
        Value::Array(reasons) => reasons.iter().map(|reason| text(&reason["rule"])).collect(),
        _ => answer["rules"]
            .as_array()
            .into_iter()
            .flatten()
            .map(text)
            .collect::<Vec<_>>(),
    };
    answer["seq"] == stands.seq
        && answer["piece"] == stands.piece.as_str()
        && answer["disposition"] == stands.word.as_str()
        && answer["route"].as_str() == stands.route.as_deref()
        && rules == stands.rules
}
