//! A row held against the plant description before it is run: names that are not there, values that are none,
//! expectations that could never come true. A case is written to show what a rule does; a name mistyped in it
//! should not read as a rule that does nothing.
//!
//! Deliberately not here: what only the wire can tell of a message (its units, its kinds of event). That is
//! rejected when the case is run, with the reason.

use super::message::{
    AS_IT_IS, Asked, Happening, Member, NONE, OfStation, Part, Value, number_and_unit,
};
use super::term::Written;
use super::text::{Token, time_of_day};
use chargehand_core::{
    Characteristic, Plant, ProductName, RejectReason, ReplyResult, RequestVerb, Station,
    Word as Disposition,
};
use chargehand_derive::description::near;

/// What is wrong at one place of a line.
#[derive(Debug)]
pub(crate) struct Complaint {
    /// In characters from 1.
    pub column: usize,
    /// The thing, what was found and what was wanted.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

fn complain(column: usize, what: String, remedy: impl Into<String>) -> Complaint {
    Complaint {
        column,
        what,
        remedy: remedy.into(),
    }
}

/// Everything wrong with what happens.
pub(crate) fn happening(plant: &Plant, happening: &Happening) -> Vec<Complaint> {
    let mut found = match happening {
        Happening::Passes | Happening::Session | Happening::Restart => return Vec::new(),
        Happening::Station(said) => of_station(plant, said),
        Happening::Request(asked) => request(plant, asked),
    };
    let members = happening.members();
    for (index, member) in members.iter().enumerate() {
        if members[..index]
            .iter()
            .any(|known| known.name == member.name)
        {
            let what = format!("{} stands twice in the row", member.name);
            found.push(complain(member.column, what, "leave one of them out"));
        }
    }
    found
}

fn of_station(plant: &Plant, said: &OfStation) -> Vec<Complaint> {
    let Some(station) = plant.station(&said.station.text) else {
        return vec![no_station(plant, &said.station)];
    };
    let mut found = Vec::new();
    let kind = &said.kind;
    if let Some("reading") = near(&kind.text, ["reading"]).filter(|near| *near != kind.text) {
        let what = format!("no kind of event is called {}", kind.text);
        found.push(complain(kind.column, what, "did you mean reading"));
    }
    if said.is_of_gauge() && said.subject.text != NONE {
        found.extend(gauge(plant, &said.subject));
    }
    found.extend(
        said.members
            .iter()
            .filter_map(|member| of_member(plant, station, said, member)),
    );
    found
}

fn of_member(
    plant: &Plant,
    station: &Station,
    said: &OfStation,
    member: &Member,
) -> Option<Complaint> {
    let Member {
        name,
        value,
        column,
    } = member;
    let wrong = |what: String, remedy: &str| Some(complain(*column, what, remedy));
    let part = said.part(name, plant);
    if part == Part::Measured {
        let unknown = characteristic(plant, station, said, member);
        if unknown.is_some() {
            return unknown;
        }
    }
    // JSON stands as it is, also wrong on purpose.
    let Value::Plain(value) = value else {
        return None;
    };
    match part {
        Part::Time if time_of_day(value).is_none() => wrong(
            format!("at={value} is no time of day"),
            "write hh:mm:ss, such as 06:10:00",
        ),
        Part::Number if value.parse::<u64>().is_err() => wrong(
            format!("{name}={value} is no whole number"),
            "write digits, such as 2",
        ),
        Part::Object => wrong(
            format!("{name}={value} is no object"),
            "write its members by themselves, or := and JSON",
        ),
        Part::Measured if number_and_unit(value).0.parse::<f64>().is_err() => wrong(
            format!("{name}={value} is no number"),
            "write a number and its unit, such as 1380.1g, or := and JSON",
        ),
        Part::Stratum => of_stratum(plant, name, value, *column),
        Part::Product if plant.product(value).is_none() => {
            let known = plant.products.iter().map(ProductName::as_str);
            let word = Token {
                text: value.clone(),
                column: *column,
            };
            Some(unknown(&word, format!("no product {value}"), known))
        }
        _ => None,
    }
}

fn characteristic(
    plant: &Plant,
    station: &Station,
    said: &OfStation,
    member: &Member,
) -> Option<Complaint> {
    // A standard is read in the scale of what its gauge measures, wherever that is.
    let stations = if said.is_of_gauge() {
        &plant.stations[..]
    } else {
        core::slice::from_ref(station)
    };
    let gauge = said.subject.text.as_str();
    let known_gauge = said.is_of_gauge() && plant.gauge(gauge).is_some();
    let measures = |known: &&Characteristic| {
        !known_gauge
            || known
                .gauge
                .as_ref()
                .is_some_and(|own| own.as_str() == gauge)
    };
    let known: Vec<&str> = stations
        .iter()
        .flat_map(|station| &station.characteristics)
        .filter(measures)
        .map(|known| known.name.as_str())
        .collect();
    let name = member.name.as_str();
    if known.contains(&name) {
        return None;
    }
    let who = if said.is_of_gauge() {
        gauge
    } else {
        station.name.as_str()
    };
    // A stratum mistyped looks like a value, too.
    let strata = plant.strata.iter().map(|known| known.name.as_str());
    let members = ["at", "seq", "attempt", "lap", "gauge", "epoch", "id"];
    let product = (!plant.products.is_empty()).then_some("product");
    let offered = known.iter().copied().chain(strata).chain(members);
    let offered = offered.chain(product);
    let remedy = match near(name, offered) {
        Some(near) => format!("did you mean {near}"),
        None if known.is_empty() => "leave it out, or declare it in the plant description".into(),
        None => format!("write one of {}", known.join(", ")),
    };
    let what = format!("{who} measures no {name}");
    Some(complain(member.column, what, remedy))
}

fn request(plant: &Plant, asked: &Asked) -> Vec<Complaint> {
    let mut found = Vec::new();
    let Asked {
        verb,
        role,
        person,
        members,
    } = asked;
    if RequestVerb::parse(&verb.text).is_none() {
        let what = format!("{} is nothing that can be asked for", verb.text);
        let verbs = RequestVerb::ALL.iter().map(|known| known.as_str());
        found.push(unknown(verb, what, verbs));
    }
    if role.text != NONE {
        found.extend(of_role(plant, role));
    }
    if let Some(person) = person
        && plant.person(&person.text).is_none()
    {
        let known = plant.persons.iter().map(|known| known.name.as_str());
        found.push(unknown(person, format!("no person {}", person.text), known));
    }
    for Member {
        name,
        value,
        column,
    } in members
    {
        let Value::Plain(value) = value else { continue };
        if name == "seen" && value != AS_IT_IS && value.parse::<u64>().is_err() {
            let what = format!("seen={value} is no seq of a hold");
            found.push(complain(
                *column,
                what,
                "write seen=@ for the hold as it is then",
            ));
        }
        let word = Token {
            text: value.clone(),
            column: *column,
        };
        if asked.is_of(name) {
            match name.as_str() {
                "piece" | "line" => {}
                "station" if plant.station(value).is_none() => found.push(no_station(plant, &word)),
                "station" => {}
                stratum => found.extend(of_stratum(plant, stratum, value, *column)),
            }
        }
    }
    found
}

/// Everything wrong with one expectation. What it says must be something that can be an outcome of a row.
pub(crate) fn expectation(plant: &Plant, term: &Written) -> Vec<Complaint> {
    let [kind, rest @ ..] = &term.words[..] else {
        let what = "no outcome between the commas".to_owned();
        return vec![complain(
            term.column,
            what,
            "write what follows, such as remelt P1, or leave the arrow out",
        )];
    };
    let subject = rest.first();
    let needs = |what: &str, example: &str| {
        subject.is_none().then(|| {
            complain(
                kind.column,
                format!("{} of {what} is not said", kind.text),
                format!("write it, such as {example}"),
            )
        })
    };
    let mut found: Vec<Complaint> = Vec::new();
    match kind.text.as_str() {
        word if Disposition::parse(word).is_some() => {
            found.extend(needs("which piece", &format!("{word} P1")));
        }
        "hold_station" => {
            found.extend(needs("which station", "hold_station s60"));
            found.extend(subject.and_then(|named| {
                let known = plant.station(&named.text);
                known.is_none().then(|| no_station(plant, named))
            }));
        }
        "hold_stratum" => {
            found.extend(needs("which stratum", "hold_stratum mould=M2"));
            found.extend(subject.and_then(|named| match named.text.split_once('=') {
                Some((stratum, value)) => of_stratum(plant, stratum, value, named.column),
                None => Some(complain(
                    named.column,
                    format!("{} is no stratum and its value", named.text),
                    "write such as hold_stratum mould=M2",
                )),
            }));
        }
        "advise" => found.extend(subject.and_then(|role| of_role(plant, role))),
        "gauge" => {
            found.extend(needs("which gauge", "gauge lc-1 suspect"));
            found.extend(subject.and_then(|named| gauge(plant, named)));
            found.extend(
                rest.get(1)
                    .and_then(|word| one_of(word, "no state of a gauge", &["suspect", "healthy"])),
            );
        }
        "rejected" => {
            let reasons: Vec<&str> = RejectReason::ALL
                .iter()
                .map(|known| known.as_str())
                .collect();
            let reason = subject.filter(|word| !word.text.contains('='));
            found.extend(reason.and_then(|word| one_of(word, "no reason to reject", &reasons)));
        }
        "alarm" | "cleared" | "closed" => {}
        word if ReplyResult::parse(word).is_some() => {}
        "noted" => found.push(complain(
            kind.column,
            "notes are not listed in a case".to_owned(),
            "leave it out",
        )),
        other => {
            let what = format!("{other} is no outcome");
            found.push(unknown(kind, what, kinds()));
        }
    }
    let acts = rest.iter().find_map(|word| {
        let gate = word.text.strip_prefix("at=")?;
        (Disposition::parse(&kind.text).is_some() && plant.station(gate).is_none()).then(|| {
            let named = Token {
                text: gate.to_owned(),
                column: word.column,
            };
            no_station(plant, &named)
        })
    });
    found.extend(acts);
    found
}

/// Every first word of an expectation.
fn kinds() -> impl Iterator<Item = &'static str> {
    let dispositions = Disposition::ALL.iter().map(|known| known.as_str());
    let replies = ReplyResult::ALL.iter().map(|known| known.as_str());
    let others = [
        "hold_station",
        "hold_stratum",
        "advise",
        "closed",
        "alarm",
        "cleared",
        "gauge",
        "rejected",
    ];
    dispositions.chain(replies).chain(others)
}

fn one_of(word: &Token, not: &str, known: &[&'static str]) -> Option<Complaint> {
    let wrong = !known.contains(&word.text.as_str());
    wrong.then(|| {
        let what = format!("{} is {not}", word.text);
        unknown(word, what, known.iter().copied())
    })
}

fn no_station(plant: &Plant, word: &Token) -> Complaint {
    let known = plant.stations.iter().map(|known| known.name.as_str());
    unknown(word, format!("no station {}", word.text), known)
}

fn gauge(plant: &Plant, word: &Token) -> Option<Complaint> {
    let known = || plant.gauges.iter().map(|known| known.name.as_str());
    let wrong = plant.gauge(&word.text).is_none();
    wrong.then(|| unknown(word, format!("no gauge {}", word.text), known()))
}

fn of_role(plant: &Plant, word: &Token) -> Option<Complaint> {
    let known = || plant.roles.iter().map(|known| known.name.as_str());
    let wrong = plant.role(&word.text).is_none();
    wrong.then(|| unknown(word, format!("no role {}", word.text), known()))
}

fn of_stratum(plant: &Plant, name: &str, value: &str, column: usize) -> Option<Complaint> {
    let word = |text: &str| Token {
        text: text.to_owned(),
        column,
    };
    let Some(stratum) = plant.stratum(name) else {
        let known = plant.strata.iter().map(|known| known.name.as_str());
        return Some(unknown(&word(name), format!("no stratum {name}"), known));
    };
    if stratum.values.is_empty() || stratum.values.iter().any(|known| known == value) {
        return None;
    }
    // Values differ in a digit: the nearest one would be a guess.
    let remedy = format!("write one of {}", stratum.values.join(", "));
    Some(complain(column, format!("no {name} {value}"), remedy))
}

fn unknown<'k>(word: &Token, what: String, known: impl Iterator<Item = &'k str>) -> Complaint {
    let known: Vec<&str> = known.collect();
    let remedy = match near(&word.text, known.iter().copied()) {
        Some(near) => format!("did you mean {near}"),
        None if known.is_empty() => "the plant description declares none".to_owned(),
        None => format!("write one of {}", known.join(", ")),
    };
    complain(word.column, what, remedy)
}
