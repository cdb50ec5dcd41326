//! The header of a rule: a sentence of declarations that is data once the file is loaded.
//!
//! The engine runs the header once. Each of its words only writes down what it was given and where; afterwards
//! the notes are held against the plant description, so that every fault of a header is found at once.
//!
//! Deliberately not here: handlers, and words of parts that do not exist yet (they are refused before).

use crate::chart::Charted;
use crate::declare::{self, Against, Gauged, Later, Made, Noted, Whose};
use crate::declared::{Declared, Kind, Limit};
use crate::fault::{Complaint, Finding, Remedy, of_products, suggest};
use crate::quantity::Subject;
use crate::uses::LooksAhead;
use crate::value::describe;
use crate::words;
use chargehand_core::{
    Aims, Characteristic, Declaration, DeclaredAlarm, Fallback, Mark, Of, Plant, Priority,
    ProductName, RoleName, RuleName, Station, StratumName, Words,
};
use rhai::{Dynamic, Engine, ImmutableString, NativeCallContext, Position};
use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;
use std::sync::Arc;

/// What the words of the header that is running have said so far.
#[derive(Debug, Default)]
pub(crate) struct Draft {
    /// The words used, rightly or wrongly: none of them is missing.
    used: BTreeSet<&'static str>,
    sentence: String,
    at: Vec<(Position, String)>,
    of: Vec<(Position, String, String)>,
    per: Vec<(Position, String)>,
    leave_out: Vec<(Position, Dynamic)>,
    limits: Vec<(Position, String, Dynamic)>,
    watches: Vec<Noted>,
    alarms: Vec<Called>,
    on_fault: Vec<(Position, Fallback)>,
    faults: Vec<Finding>,
}

/// An alarm as far as the header has told it.
#[derive(Debug)]
struct Called {
    at: Position,
    name: String,
    priority: Option<Priority>,
    owner: Option<(Position, String)>,
    response: Option<String>,
}

/// A header that holds against the plant description.
#[derive(Debug)]
pub(crate) struct Header<'a> {
    pub(crate) station: &'a Station,
    pub(crate) characteristic: &'a Characteristic,
    pub(crate) fallback: Fallback,
    /// What it comes to: for all pieces, or for those of each product where what they are held against differs.
    pub(crate) versions: Vec<Version<'a>>,
}

/// What a header comes to for pieces of one product, or of all.
#[derive(Debug)]
pub(crate) struct Version<'a> {
    pub(crate) product: Option<&'a ProductName>,
    pub(crate) aims: &'a Aims,
    pub(crate) declared: Declared,
    /// Counters and charts, in order of the header.
    pub(crate) declarations: Vec<Declaration>,
    /// What there is to say of the charts among them.
    pub(crate) charts: Vec<Charted>,
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
            draft.begin(at, &sentence);
            Chain
        },
    );
    one(engine, drafts, "at", |draft, at, station| {
        let station = draft.text(at, "a station", station);
        draft.at.extend(station.map(|station| (at, station)));
    });
    one(engine, drafts, "per", |draft, at, stratum| {
        let stratum = draft.text(at, "a stratum", stratum);
        draft.per.extend(stratum.map(|stratum| (at, stratum)));
    });
    one(engine, drafts, "leave_out", |draft, at, mark| {
        draft.leave_out.push((at, mark.clone()));
    });
    one(engine, drafts, "on_fault", |draft, at, word| {
        match draft.text(at, "what happens on a fault", word).as_deref() {
            Some("hold") => draft.on_fault.push((at, Fallback::Hold)),
            Some("alarm") => draft.on_fault.push((at, Fallback::Alarm)),
            Some(other) => draft.fault(
                at,
                format!("'{other}' is nothing that happens on a fault"),
                "write .on_fault(\"hold\") or .on_fault(\"alarm\")",
            ),
            None => {}
        }
    });
    two(engine, drafts, "of", |draft, at, characteristic, unit| {
        let characteristic = draft.text(at, "a characteristic", characteristic);
        let unit = draft.text(at, "a unit", unit);
        let both = characteristic.zip(unit);
        draft.of.extend(both.map(|(name, unit)| (at, name, unit)));
    });
    two(engine, drafts, "limit", |draft, at, name, given| {
        let name = draft.text(at, "the name of a limit", name);
        draft
            .limits
            .extend(name.map(|name| (at, name, given.clone())));
    });
    for kind in [Kind::Counter, Kind::Chart] {
        let draft = Rc::clone(drafts);
        let word = kind.word();
        let note = move |context: NativeCallContext<'_>,
                         _: Chain,
                         name: Dynamic,
                         first: Dynamic,
                         second: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            draft.used.insert(word);
            let name = draft.text(at, &format!("the name of a {kind}"), &name);
            draft.watches.extend(name.map(|name| Noted {
                at,
                kind,
                name,
                first,
                second,
            }));
            Chain
        };
        engine.register_fn(word, note);
    }
    register_alarm(engine, drafts);
    declare::register(engine);
    register_absent(engine);
}

fn register_alarm(engine: &mut Engine, drafts: &Drafts) {
    one(engine, drafts, "alarm", |draft, at, name| {
        let name = draft.text(at, "the name of an alarm", name);
        draft.alarms.extend(name.map(|name| Called {
            at,
            name,
            priority: None,
            owner: None,
            response: None,
        }));
    });
    one(engine, drafts, "priority", |draft, at, word| {
        let Some(word) = draft.text(at, "a priority", word) else {
            return;
        };
        let known = Priority::parse(&word);
        if known.is_none() {
            let words = Priority::ALL.iter().map(|priority| priority.as_str());
            draft.fault(
                at,
                format!("'{word}' is no priority of an alarm"),
                suggest(&word, words),
            );
        }
        draft.tell(at, "priority", |alarm| {
            alarm
                .priority
                .replace(known.unwrap_or(Priority::Low))
                .is_some()
        });
    });
    one(engine, drafts, "owner", |draft, at, role| {
        let Some(role) = draft.text(at, "a role", role) else {
            return;
        };
        draft.tell(at, "owner", |alarm| {
            alarm.owner.replace((at, role)).is_some()
        });
    });
    one(engine, drafts, "response", |draft, at, text| {
        let Some(text) = draft.text(at, "what to do about an alarm", text) else {
            return;
        };
        if text.trim().is_empty() {
            draft.fault(
                at,
                "the response says nothing",
                "write what a person should do: .response(\"…\")",
            );
        }
        draft.tell(at, "response", |alarm| {
            alarm.response.replace(text).is_some()
        });
    });
}

/// A word of a header that takes one value.
fn one(
    engine: &mut Engine,
    drafts: &Drafts,
    word: &'static str,
    note: fn(&mut Draft, Position, &Dynamic),
) {
    let draft = Rc::clone(drafts);
    engine.register_fn(
        word,
        move |context: NativeCallContext<'_>, _: Chain, given: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            draft.used.insert(word);
            note(&mut draft, at, &given);
            Chain
        },
    );
}

/// A word of a header that takes two.
fn two(
    engine: &mut Engine,
    drafts: &Drafts,
    word: &'static str,
    note: fn(&mut Draft, Position, &Dynamic, &Dynamic),
) {
    let draft = Rc::clone(drafts);
    engine.register_fn(
        word,
        move |context: NativeCallContext<'_>, _: Chain, first: Dynamic, second: Dynamic| {
            let (at, mut draft) = (context.call_position(), draft.borrow_mut());
            draft.used.insert(word);
            note(&mut draft, at, &first, &second);
            Chain
        },
    );
}

/// Words of parts that do not exist yet have been refused by name before the header runs; here they only let
/// the rest of the header be read, so that its other faults are found too.
fn register_absent(engine: &mut Engine) {
    fn go_on(first: Dynamic) -> Dynamic {
        if first.is::<Chain>() {
            first
        } else {
            Dynamic::from(Later)
        }
    }
    engine.register_type_with_name::<Later>("later");
    for word in words::ABSENT.iter().copied() {
        engine
            .register_fn(word, go_on)
            .register_fn(word, |first: Dynamic, _: Dynamic| go_on(first))
            .register_fn(word, |first: Dynamic, _: Dynamic, _: Dynamic| go_on(first))
            .register_fn(
                word,
                |first: Dynamic, _: Dynamic, _: Dynamic, _: Dynamic| go_on(first),
            );
    }
}

impl Draft {
    fn begin(&mut self, at: Position, sentence: &Dynamic) {
        let Some(text) = self.text(at, "the sentence of a rule", sentence) else {
            return;
        };
        if text.trim().is_empty() {
            self.fault(
                at,
                "the rule does not say what it is for",
                "write a sentence: rule(\"…\")",
            );
        }
        self.sentence = text;
    }

    /// Tells the newest alarm something; `told` says whether it had been told that before.
    fn tell(&mut self, at: Position, word: &str, told: impl FnOnce(&mut Called) -> bool) {
        let Some(alarm) = self.alarms.last_mut() else {
            let what = format!("`.{word}` has no alarm before it");
            self.fault(at, what, format!("write .alarm(\"name\").{word}(\"…\")"));
            return;
        };
        if told(alarm) {
            let what = format!("`.{word}` stands twice for alarm '{}'", alarm.name);
            self.fault(at, what, "take one out");
        }
    }

    fn fault(&mut self, at: Position, what: impl Into<Words>, remedy: impl Remedy) {
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
    pub(crate) fn into_faults(self) -> Vec<Finding> {
        self.faults
    }

    /// The header these notes make for that rule, or everything wrong with them. `start` is where it stands.
    pub(crate) fn finish<'p>(
        mut self,
        rule: &RuleName,
        plant: &'p Plant,
        start: Position,
        ahead: &LooksAhead,
    ) -> Result<Header<'p>, Vec<Finding>> {
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
        let fallback = self.only(
            start,
            "on_fault",
            "\"hold\") or .on_fault(\"alarm\"",
            &on_fault,
        );
        let made = found.map(|found| self.declare(rule, plant, found, ahead));
        if made.is_none() {
            self.declare_of_nothing(plant);
        }
        match (found, fallback, made) {
            (Some((station, characteristic)), Some((_, fallback)), Some(versions))
                if self.faults.is_empty() =>
            {
                Ok(Header {
                    station,
                    characteristic,
                    fallback,
                    versions,
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
            let remedy = match word {
                "at" | "of" => {
                    "a rule sees one characteristic of one station: make it two rules, a file each"
                }
                _ => "take one out",
            };
            self.fault(
                second.place(),
                format!("`.{word}` stands twice in the header"),
                remedy,
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

    /// What the rule declares and sees, and the watches it wants kept; for each product, where these differ.
    fn declare<'p>(
        &mut self,
        rule: &RuleName,
        plant: &Plant,
        (station, characteristic): (&'p Station, &'p Characteristic),
        ahead: &LooksAhead,
    ) -> Vec<Version<'p>> {
        let apart = self.per(plant);
        let mut names = BTreeSet::new();
        let limits = std::mem::take(&mut self.limits);
        for (at, name, _) in &limits {
            self.limit_name(*at, name, &mut names);
        }
        let watches = std::mem::take(&mut self.watches);
        for noted in &watches {
            self.watch_name(noted, &mut names);
        }
        let alarms = self.called(plant);
        let known = names_declared(plant, &limits, &watches);
        let own = Own {
            rule,
            plant,
            station,
            characteristic,
            apart: apart.as_ref(),
            limits: &limits,
            leave_out: &self.leave_out,
            watches: &watches,
            ahead: &|chart| ahead.of(chart, &known),
            alarms: &alarms,
        };
        let mut versions = Vec::new();
        let mut faults = Vec::new();
        for (product, aims) in characteristic.aims.each() {
            let (version, found) = own.version(product, aims);
            versions.push(version);
            faults.push((product, found));
        }
        self.faults.extend(of_products(faults));
        if let (Some((at, _)), true) = (self.leave_out.first(), watches.is_empty())
            && self.faults.is_empty()
        {
            let what = "nothing is counted or charted, so nothing is left out";
            self.fault(*at, what, "add a .count or a .chart, or take it out");
        }
        versions
    }

    /// What is wrong with the rest of a header of which nobody knows what it measures.
    fn declare_of_nothing(&mut self, plant: &Plant) {
        self.per(plant);
        let mut names = BTreeSet::new();
        for (at, name, _) in std::mem::take(&mut self.limits) {
            self.limit_name(at, &name, &mut names);
        }
        for noted in std::mem::take(&mut self.watches) {
            self.watch_name(&noted, &mut names);
            let wrong = noted.wrong_anywhere().filter(|_| !noted.is_later());
            self.faults.extend(wrong.map(|wrong| (noted.at, wrong)));
        }
        self.called(plant);
    }

    fn limit_name(&mut self, at: Position, name: &str, taken: &mut BTreeSet<String>) {
        let (what, written) = (format!("limit '{name}'"), format!("r.limit.{name}"));
        self.name(at, &what, &written, name, taken);
    }

    fn watch_name(&mut self, noted: &Noted, taken: &mut BTreeSet<String>) {
        let name = &noted.name;
        let (what, written) = (format!("{} '{name}'", noted.kind), format!("r.{name}"));
        self.name(noted.at, &what, &written, name, taken);
    }

    fn per(&mut self, plant: &Plant) -> Option<StratumName> {
        if let Some((second, _)) = self.per.get(1) {
            let what = "`.per` stands twice in the header";
            self.fault(*second, what, "take one out");
        }
        let (at, name) = self.per.first().cloned()?;
        if plant.stratum(&name).is_none() {
            let known = plant.strata.iter().map(|stratum| stratum.name.as_str());
            let remedy = suggest(&name, known);
            let what = format!("stratum '{name}' is not in the plant description");
            self.fault(at, what, remedy);
            return None;
        }
        Some(StratumName::from(name))
    }

    /// The alarms, each complete: somebody has to know what to do, and how soon.
    fn called(&mut self, plant: &Plant) -> BTreeMap<String, Arc<DeclaredAlarm>> {
        let mut declared = BTreeMap::new();
        for called in std::mem::take(&mut self.alarms) {
            let Called {
                at,
                name,
                priority,
                owner,
                response,
            } = called;
            let lacks = [
                (priority.is_none(), ".priority(\"low\")"),
                (owner.is_none(), ".owner(\"role\")"),
                (response.is_none(), ".response(\"what to do\")"),
            ];
            for (_, example) in lacks.into_iter().filter(|(lacks, _)| *lacks) {
                let word = example.split('(').next().unwrap_or_default();
                let what = format!("alarm '{name}' has no `{word}`");
                self.fault(at, what, format!("add {example}"));
            }
            if !is_word(&name, "-_") {
                let what = format!("'{name}' cannot name an alarm");
                self.fault(at, what, "use letters, digits, - and _");
            }
            if let Some((at, role)) = &owner
                && plant.role(role).is_none()
            {
                let known = plant.roles.iter().map(|role| role.name.as_str());
                let remedy = suggest(role, known);
                let what = format!("role '{role}' is not in the plant description");
                self.fault(*at, what, remedy);
            }
            let alarm = DeclaredAlarm {
                name: name.clone(),
                priority: priority.unwrap_or(Priority::Low),
                owner: RoleName::from(owner.map_or(String::new(), |(_, role)| role)),
                response: response.unwrap_or_default(),
                consequence: format!("not assured meanwhile: {}", self.sentence),
            };
            if declared.insert(name.clone(), Arc::new(alarm)).is_some() {
                let what = format!("alarm '{name}' is declared twice");
                self.fault(at, what, "give one of them another name");
            }
        }
        declared
    }

    /// A name that becomes a fact.
    fn name(
        &mut self,
        at: Position,
        what: &str,
        written: &str,
        name: &str,
        taken: &mut BTreeSet<String>,
    ) {
        let letter = name.starts_with(|first: char| first.is_ascii_alphabetic());
        if !letter || !is_word(name, "_") {
            self.fault(
                at,
                format!("{what} cannot be written as {written}"),
                "use letters, digits and _, a letter first",
            );
        } else if words::FACTS.contains(&name) {
            self.fault(
                at,
                format!("{what} has the name of a fact"),
                "give it another name",
            );
        } else if !taken.insert(name.to_owned()) {
            self.fault(
                at,
                format!("{what} has the name of another limit, counter or chart of this rule"),
                "give one of them another name",
            );
        }
    }
}

/// Every name that the header or the plant gives.
fn names_declared(
    plant: &Plant,
    limits: &[(Position, String, Dynamic)],
    watches: &[Noted],
) -> BTreeSet<String> {
    let limits = limits.iter().map(|(_, name, _)| name.clone());
    let watches = watches.iter().map(|noted| noted.name.clone());
    let strata = plant.strata.iter().map(|stratum| stratum.name.to_string());
    limits.chain(watches).chain(strata).collect()
}

/// What a header says that is held against what may differ by product.
struct Own<'a> {
    rule: &'a RuleName,
    plant: &'a Plant,
    station: &'a Station,
    characteristic: &'a Characteristic,
    apart: Option<&'a StratumName>,
    limits: &'a [(Position, String, Dynamic)],
    leave_out: &'a [(Position, Dynamic)],
    watches: &'a [Noted],
    /// Whether a chart is asked where its mean goes.
    ahead: &'a dyn Fn(&str) -> bool,
    alarms: &'a BTreeMap<String, Arc<DeclaredAlarm>>,
}

impl Own<'_> {
    /// What it comes to, and what is wrong with it.
    fn version<'p>(
        &self,
        product: Option<&'p ProductName>,
        aims: &'p Aims,
    ) -> (Version<'p>, Vec<Finding>) {
        let mut faults = Vec::new();
        let subject = Rc::new(Subject {
            characteristic: self.characteristic.name.to_string(),
            station: self.station.name.to_string(),
            scale: self.characteristic.scale.clone(),
            nominal: aims.nominal,
        });
        let gauged = Gauged {
            subject: &subject,
            plausible: aims.plausible,
        };
        let mut limits = BTreeMap::new();
        for (at, name, given) in self.limits {
            let limit = declare::limit(name, given, &gauged);
            let limit = or_fault(limit, *at, given, &mut faults);
            limits.extend(limit.map(|limit| (name.clone(), limit)));
        }
        let mut leave_out = Vec::new();
        for (at, given) in self.leave_out {
            let mark = declare::mark("what is left out", given, &gauged);
            leave_out.extend(or_fault(mark, *at, given, &mut faults));
        }
        let mut version = Version {
            product,
            aims,
            declared: self.declared(&subject, limits),
            declarations: Vec::new(),
            charts: Vec::new(),
        };
        let against = Against {
            gauged: &gauged,
            characteristic: self.characteristic,
            aims,
            line: &self.plant.line,
            leave_out: &leave_out,
        };
        for noted in self.watches {
            if noted.is_later() {
                // Handlers may ask for it all the same: that is not another fault.
                version.watch(noted);
                continue;
            }
            match declare::watch(noted, &against, (self.ahead)(&noted.name)) {
                Ok(made) => self.keep(&mut version, noted, made, &leave_out),
                Err((at, complaint)) => {
                    let at = if at.is_none() { noted.at } else { at };
                    faults.push((at, complaint));
                }
            }
        }
        (version, faults)
    }

    /// What the handler can ask for, but for counters and charts.
    fn declared(&self, subject: &Rc<Subject>, limits: BTreeMap<String, Limit>) -> Declared {
        let strata = self.plant.strata.iter();
        Declared {
            per: self.apart.or(self.characteristic.per.as_ref()).cloned(),
            apart: self.apart.cloned(),
            subject: Rc::clone(subject),
            limits,
            watches: Vec::new(),
            alarms: self.alarms.clone(),
            strata: strata.map(|stratum| stratum.name.clone()).collect(),
            products: self.plant.products.clone(),
        }
    }

    /// A counter or chart that is to be kept.
    fn keep(&self, version: &mut Version<'_>, noted: &Noted, made: Made, leave_out: &[Mark]) {
        let Made {
            watch,
            text,
            charted,
        } = made;
        version.watch(noted);
        version.charts.extend(charted.map(|charted| Charted {
            rule: self.rule.clone(),
            name: noted.name.clone(),
            line: noted.at.line(),
            column: noted.at.position(),
            station: self.station.name.clone(),
            characteristic: self.characteristic.name.clone(),
            product: version.product.cloned(),
            per: self.apart.cloned(),
            statistic: charted.resolved.statistic,
            limit: charted.resolved.limit,
            promised: charted.resolved.promised,
            days: charted.resolved.days,
            chart: charted.resolved.chart,
            points: charted.points,
            counted: charted.counted,
            step: charted.step,
            nominal: charted.nominal,
        }));
        let whose = Whose {
            rule: self.rule,
            station: self.station,
            characteristic: self.characteristic,
            product: version.product,
            per: self.apart,
        };
        version.declarations.push(declare::declaration(
            &whose,
            noted.name.clone(),
            leave_out.to_vec(),
            (watch, &text),
        ));
    }
}

impl Version<'_> {
    fn watch(&mut self, noted: &Noted) {
        let watch = (noted.name.clone(), noted.kind);
        self.declared.watches.push(watch);
    }
}

/// What was made of a value of the header; or what is wrong with it, noted where it stands.
fn or_fault<T>(
    made: Result<T, Complaint>,
    at: Position,
    given: &Dynamic,
    faults: &mut Vec<Finding>,
) -> Option<T> {
    match made {
        Ok(made) => Some(made),
        Err(_) if declare::is_later(given) => None,
        Err(complaint) => {
            faults.push((declare::place_of(given).unwrap_or(at), complaint));
            None
        }
    }
}

fn is_word(name: &str, beside: &str) -> bool {
    !name.is_empty()
        && name
            .chars()
            .all(|letter| letter.is_ascii_alphanumeric() || beside.contains(letter))
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
