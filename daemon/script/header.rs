//! The header of a rule: a sentence of declarations that is data once the file is loaded.
//!
//! The engine runs the header once. Each of its words only writes down what it was given and where; afterwards
//! the notes are held against the plant description, so that every fault of a header is found at once.
//!
//! Deliberately not here: handlers, and words of parts that do not exist yet (they are refused before).

use crate::facts::Declared;
use crate::fault::{Complaint, suggest};
use crate::operators::describe;
use crate::quantity::{Quantity, Subject, literal};
use crate::words;
use chargehand_core::{Characteristic, Fallback, Of, Plant, Station};
use chargehand_measure::Decimal;
use rhai::{Dynamic, Engine, FLOAT, INT, ImmutableString, NativeCallContext, Position};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

/// What the words of the header that is running have said so far.
#[derive(Debug, Default)]
pub(crate) struct Draft {
    /// The words used, rightly or wrongly: none of them is missing.
    used: BTreeSet<&'static str>,
    at: Vec<(Position, String)>,
    of: Vec<(Position, String, String)>,
    limits: Vec<(Position, String, Dynamic)>,
    on_fault: Vec<(Position, Fallback)>,
    faults: Vec<(Position, Complaint)>,
}

/// A header that holds against the plant description.
#[derive(Debug)]
pub(crate) struct Header<'a> {
    pub(crate) station: &'a Station,
    pub(crate) characteristic: &'a Characteristic,
    pub(crate) fallback: Fallback,
    pub(crate) declared: Declared,
}

/// Where the words of a header write.
pub(crate) type Drafts = Rc<RefCell<Draft>>;

/// What `rule(…)` returns, for the next word to be called on.
#[derive(Clone)]
struct Chain;

/// Teaches the engine the words of a header.
pub(crate) fn register(engine: &mut Engine, drafts: &Drafts) {
    engine.register_type_with_name::<Chain>("header");
    let draft = Rc::clone(drafts);
    engine.register_fn(
        words::RULE,
        move |context: NativeCallContext<'_>, sentence: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            if draft
                .text(at, "the sentence of a rule", &sentence)
                .is_some_and(|text| text.trim().is_empty())
            {
                draft.fault(
                    at,
                    "the rule does not say what it is for",
                    "write a sentence: rule(\"…\")",
                );
            }
            Chain
        },
    );
    let draft = Rc::clone(drafts);
    engine.register_fn(
        "at",
        move |context: NativeCallContext<'_>, _: Chain, station: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            draft.used.insert("at");
            if let Some(station) = draft.text(at, "a station", &station) {
                draft.at.push((at, station));
            }
            Chain
        },
    );
    let draft = Rc::clone(drafts);
    let of =
        move |context: NativeCallContext<'_>, _: Chain, characteristic: Dynamic, unit: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            draft.used.insert("of");
            let characteristic = draft.text(at, "a characteristic", &characteristic);
            let unit = draft.text(at, "a unit", &unit);
            if let (Some(characteristic), Some(unit)) = (characteristic, unit) {
                draft.of.push((at, characteristic, unit));
            }
            Chain
        };
    engine.register_fn("of", of);
    let draft = Rc::clone(drafts);
    let limit =
        move |context: NativeCallContext<'_>, _: Chain, name: Dynamic, quantity: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            if let Some(name) = draft.text(at, "the name of a limit", &name) {
                draft.limits.push((at, name, quantity));
            }
            Chain
        };
    engine.register_fn("limit", limit);
    let draft = Rc::clone(drafts);
    engine.register_fn(
        "on_fault",
        move |context: NativeCallContext<'_>, _: Chain, word: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            draft.used.insert("on_fault");
            match draft.text(at, "what happens on a fault", &word).as_deref() {
                Some("hold") => draft.on_fault.push((at, Fallback::Hold)),
                Some("alarm") => draft.on_fault.push((at, Fallback::Alarm)),
                Some(other) => {
                    let what = format!("on a fault '{other}' is not known");
                    draft.fault(
                        at,
                        what,
                        "write .on_fault(\"hold\") or .on_fault(\"alarm\")",
                    );
                }
                None => {}
            }
            Chain
        },
    );
    register_absent(engine);
}

/// Words of parts that do not exist yet have been refused by name before the header runs; here they only let
/// the rest of the header be read, so that its other faults are found too.
fn register_absent(engine: &mut Engine) {
    for word in words::ABSENT.iter().copied() {
        engine
            .register_fn(word, |_: Dynamic| Chain)
            .register_fn(word, |_: Dynamic, _: Dynamic| Chain)
            .register_fn(word, |_: Dynamic, _: Dynamic, _: Dynamic| Chain)
            .register_fn(word, |_: Dynamic, _: Dynamic, _: Dynamic, _: Dynamic| Chain);
    }
    for unit in words::ABSENT_UNITS.iter().copied() {
        engine
            .register_get(unit, |_: &mut INT| ())
            .register_get(unit, |_: &mut FLOAT| ());
    }
}

impl Draft {
    fn fault(&mut self, at: Position, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.push((at, Complaint::new(what, remedy)));
    }

    fn text(&mut self, at: Position, what: &str, given: &Dynamic) -> Option<String> {
        let text = given
            .read_lock::<ImmutableString>()
            .map(|text| text.to_string());
        if text.is_none() {
            self.fault(
                at,
                format!("{what} is a text, found {}", describe(given)),
                "write it in \"…\"",
            );
        }
        text
    }

    /// What the words that ran found wrong by themselves.
    pub(crate) fn into_faults(self) -> Vec<(Position, Complaint)> {
        self.faults
    }

    /// The header these notes make, or everything wrong with them. `start` is where the header stands.
    pub(crate) fn finish(
        mut self,
        plant: &Plant,
        start: Position,
    ) -> Result<Header<'_>, Vec<(Position, Complaint)>> {
        let at = self.at.clone();
        let of = self.of.clone();
        let on_fault = self.on_fault.clone();
        let station = self
            .only(start, "at", "\"station\"", &at)
            .and_then(|(at, name)| self.station(plant, at, &name));
        let of = self.only(start, "of", "\"characteristic\", \"unit\"", &of);
        let found = station.zip(of).and_then(|(station, (at, name, unit))| {
            let characteristic = self.characteristic(station, at, &name)?;
            self.unit(station, characteristic, at, &unit);
            Some((station, characteristic))
        });
        let fallback = self.only(start, "on_fault", "\"hold\"", &on_fault);
        let declared =
            found.map(|(station, characteristic)| self.declare(plant, station, characteristic));
        match (found, fallback, declared) {
            (Some((station, characteristic)), Some((_, fallback)), Some(declared))
                if self.faults.is_empty() =>
            {
                Ok(Header {
                    station,
                    characteristic,
                    fallback,
                    declared,
                })
            }
            _ => Err(self.faults),
        }
    }

    /// The one use of a word that must be used once.
    fn only<T: Clone + Placed>(
        &mut self,
        start: Position,
        word: &str,
        given: &str,
        uses: &[T],
    ) -> Option<T> {
        if let Some(second) = uses.get(1) {
            self.fault(
                second.place(),
                format!("`.{word}` stands twice in the header"),
                "take one out",
            );
        }
        let first = uses.first().cloned();
        if first.is_none() && !self.used.contains(word) {
            self.fault(
                start,
                format!("the header has no `.{word}`"),
                format!("add .{word}({given})"),
            );
        }
        first
    }

    fn station<'a>(&mut self, plant: &'a Plant, at: Position, name: &str) -> Option<&'a Station> {
        let station = plant.station(name);
        if station.is_none() {
            let known = plant.stations.iter().map(|station| station.name.as_str());
            self.fault(
                at,
                format!("station '{name}' is not in the plant description"),
                suggest(name, known),
            );
        }
        station
    }

    fn characteristic<'a>(
        &mut self,
        station: &'a Station,
        at: Position,
        name: &str,
    ) -> Option<&'a Characteristic> {
        let characteristic = station.characteristic(name);
        if characteristic.is_none() {
            let known = station
                .characteristics
                .iter()
                .map(|known| known.name.as_str());
            let remedy = suggest(name, known);
            self.fault(
                at,
                format!("no '{name}' is measured at {}", station.name),
                remedy,
            );
        }
        // A verdict is about a piece, and such a value names none: the rule would never be asked.
        if characteristic.is_some_and(|known| known.of == Of::Station) {
            self.fault(
                at,
                format!(
                    "'{name}' at {} belongs to the station, not to a piece",
                    station.name
                ),
                "rules about a station's own values are not in this version: take the rule out",
            );
        }
        characteristic
    }

    fn unit(
        &mut self,
        station: &Station,
        characteristic: &Characteristic,
        at: Position,
        unit: &str,
    ) {
        let (name, own) = (&characteristic.name, characteristic.scale.unit().code());
        let write = format!("write .of(\"{name}\", \"{own}\")");
        if unit.contains(['\u{b5}', '\u{3bc}']) {
            let what = format!("unit '{unit}' is written with a letter that has two codes");
            self.fault(at, what, format!("rules write u for it: {write}"));
        } else if unit != own {
            self.fault(
                at,
                format!("{name} at {} is in {own}, not in '{unit}'", station.name),
                write,
            );
        }
    }

    fn declare(
        &mut self,
        plant: &Plant,
        station: &Station,
        characteristic: &Characteristic,
    ) -> Declared {
        let subject = Rc::new(Subject {
            what: format!("{} at {}", characteristic.name, station.name),
            scale: characteristic.scale.clone(),
            nominal: characteristic.nominal,
        });
        let mut limits = BTreeMap::new();
        for (at, name, given) in std::mem::take(&mut self.limits) {
            self.limit_name(at, &name, &limits);
            match counted(&name, &given, &subject) {
                Ok(count) => {
                    limits.insert(name, Quantity::counted(count, &subject));
                }
                Err(complaint) => self.faults.push((at, complaint)),
            }
        }
        Declared {
            subject,
            limits,
            per: characteristic.per.clone(),
            strata: plant
                .strata
                .iter()
                .map(|stratum| stratum.name.clone())
                .collect(),
        }
    }

    fn limit_name(&mut self, at: Position, name: &str, taken: &BTreeMap<String, Quantity>) {
        let mut letters = name.chars();
        let is_name = letters
            .next()
            .is_some_and(|first| first.is_ascii_alphabetic())
            && letters.all(|letter| letter.is_ascii_alphanumeric() || letter == '_');
        if !is_name {
            let what = format!("'{name}' cannot be written as r.limit.{name}");
            self.fault(at, what, "name a limit with letters, digits and _");
        } else if words::FACTS.contains(&name) {
            self.fault(
                at,
                format!("limit '{name}' has the name of a fact"),
                "give it another name",
            );
        } else if taken.contains_key(name) {
            self.fault(
                at,
                format!("limit '{name}' is declared twice"),
                "give one of them another name",
            );
        }
    }
}

/// A limit in steps of what the rule reads.
fn counted(name: &str, given: &Dynamic, subject: &Subject) -> Result<i64, Complaint> {
    let code = subject.scale.unit().code();
    let bare = |number: Option<Decimal>| {
        let example = number.map_or_else(|| format!("40.{code}"), |number| literal(number, code));
        Complaint::new(
            format!("limit '{name}' is {}, wanted a quantity", describe(given)),
            format!("write {example}"),
        )
    };
    if let Some(quantity) = given.read_lock::<Quantity>() {
        if quantity.unit() != subject.scale.unit() {
            let what = format!(
                "limit '{name}' is in {}, {} is in {code}",
                quantity.unit().code(),
                subject.what
            );
            return Err(Complaint::new(
                what,
                quantity.rewritten(subject.scale.unit()),
            ));
        }
        return quantity.count_in(subject).map_err(|complaint| {
            Complaint::new(
                format!("limit '{name}': {}", complaint.what),
                complaint.remedy,
            )
        });
    }
    let number = crate::engine::plain_number(given).and_then(|number| number.decimal().ok());
    Err(bare(number))
}

/// A note that knows its place.
trait Placed {
    fn place(&self) -> Position;
}

impl<A> Placed for (Position, A) {
    fn place(&self) -> Position {
        self.0
    }
}

impl<A, B> Placed for (Position, A, B) {
    fn place(&self) -> Position {
        self.0
    }
}
