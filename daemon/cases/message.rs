//! A row's happening, and the one real message it becomes.
//!
//! What stands after `name=` becomes what the contract calls that member, by the plant's own names: a declared
//! stratum goes into `strata`, a member of the contract stands by itself, anything else a reading carries is a
//! value. `1380.1g` is a value with its unit, `1380.1` a bare number, and `name:=` takes JSON as it stands, also
//! what is none. Whether the names are right is not looked at here: a message may be wrong on purpose.

use super::text::{Day, Token};
use chargehand_core::{EventWord, Plant, RequestVerb};
use chargehand_derive::Derivation;
use std::fmt::Write as _;

/// Members of a message of a station beside strata and values, as texts.
const TEXTS: &[&str] = &["id", "epoch", "gauge", "piece", "standard"];
/// Those that are numbers.
const NUMBERS: &[&str] = &["seq", "attempt", "lap"];
/// Those that hold others.
const OBJECTS: &[&str] = &["strata", "values"];
/// A subject, role or id that is left out.
pub(crate) const NONE: &str = "-";
/// A `seen` that quotes the hold as it is, and a `disposition` that quotes the piece's.
pub(crate) const AS_IT_IS: &str = "@";
/// The member of a station's event that quotes a disposition.
const DISPOSITION: &str = "disposition";

/// What a row can quote with `@`: the line as it is then.
pub trait Quoted {
    /// The `seq` of an open hold.
    fn seen(&self, hold: &str) -> Option<u64>;
    /// The id of the disposition that is in force for a piece.
    fn told(&self, piece: &str) -> Option<String>;
}

impl Quoted for Derivation {
    fn seen(&self, hold: &str) -> Option<u64> {
        Some(self.line().state().holds.get(hold)?.seq)
    }

    fn told(&self, piece: &str) -> Option<String> {
        Some(self.wire().id(self.line().told(piece)?))
    }
}

/// What happens in a row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Happening {
    /// A station says something.
    Station(OfStation),
    /// A person asks.
    Request(Asked),
    /// Time passes, and nothing else.
    Passes,
    /// The broker has no session of ours.
    Session,
    /// The daemon starts again, under the same texts.
    Restart,
}

/// A station's reading or event.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OfStation {
    /// Which station.
    pub station: Token,
    /// `reading`, or the kind of event.
    pub kind: Token,
    /// The piece, or the gauge that is checked; `-` for none.
    pub subject: Token,
    /// What it says beside.
    pub members: Vec<Member>,
}

/// A person's request.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Its verb.
    pub verb: Token,
    /// In which role; `-` for none.
    pub role: Token,
    /// Who, where the topic names them: behind the role and a slash.
    pub person: Option<Token>,
    /// What it says beside.
    pub members: Vec<Member>,
}

/// `name=value` or `name:=JSON`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Member {
    /// Its name.
    pub name: String,
    /// What is said.
    pub value: Value,
    /// Where it stands, in characters from 1.
    pub column: usize,
}

/// What a member says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Value {
    /// In the words of the format, without quotes.
    Plain(String),
    /// As it stands.
    Json(String),
}

/// A row that is none, and where it stops being one.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}: {remedy}")]
pub struct NoRow {
    /// In characters from 1.
    pub column: usize,
    /// What was found.
    pub what: String,
    /// What to write.
    pub remedy: &'static str,
}

impl Happening {
    /// Reads a row's words after its time.
    ///
    /// # Errors
    /// The words are no row.
    pub fn read(words: &[Token]) -> Result<Self, NoRow> {
        match words {
            [only] if only.text == "passes" => Ok(Self::Passes),
            [only] if only.text == "session" => Ok(Self::Session),
            [only] if only.text == "restart" => Ok(Self::Restart),
            [request, rest @ ..] if request.text == "request" => match rest {
                [verb, role, rest @ ..] => {
                    let (role, person) = role_and_person(role);
                    Ok(Self::Request(Asked {
                        verb: verb.clone(),
                        role,
                        person,
                        members: members(rest)?,
                    }))
                }
                _ => Err(short(
                    words,
                    "a request has a verb and a role: write `request release shift-lead …`, and `-` for no role",
                )),
            },
            [station, kind, subject, rest @ ..] => Ok(Self::Station(OfStation {
                station: station.clone(),
                kind: kind.clone(),
                subject: subject.clone(),
                members: members(rest)?,
            })),
            _ => Err(short(
                words,
                "write station, kind and subject, such as `s30 reading P1 mass=1450g`, and `-` for no subject",
            )),
        }
    }

    /// The topic and bytes of its message; none where none is sent. `id` is the message's own unless the row says
    /// another; `now` is the line before it.
    #[must_use]
    pub fn message(
        &self,
        plant: &Plant,
        day: &Day,
        id: &str,
        now: &dyn Quoted,
    ) -> Option<(String, String)> {
        let base = &plant.line.base;
        match self {
            Self::Passes | Self::Session | Self::Restart => None,
            Self::Station(said) => {
                let level = if said.is_reading() {
                    "reading"
                } else {
                    "event"
                };
                let topic = format!("{base}/{}/{level}", said.station.text);
                Some((topic, said.payload(plant, day, id, now)))
            }
            Self::Request(asked) => {
                let (verb, role) = (&asked.verb.text, &asked.role.text);
                let topic = match (role.as_str(), &asked.person) {
                    (role, Some(person)) => {
                        format!("{base}/request/{verb}/{role}/{}", person.text)
                    }
                    (NONE, None) => format!("{base}/request/{verb}"),
                    (role, None) => format!("{base}/request/{verb}/{role}"),
                };
                Some((topic, asked.payload(id, now)))
            }
        }
    }

    /// What the row says beside.
    #[must_use]
    pub fn members(&self) -> &[Member] {
        match self {
            Self::Station(OfStation { members, .. }) | Self::Request(Asked { members, .. }) => {
                members
            }
            Self::Passes | Self::Session | Self::Restart => &[],
        }
    }

    /// The id the row gives its message.
    #[must_use]
    pub fn id(&self) -> Option<&str> {
        self.members()
            .iter()
            .find_map(|member| match &member.value {
                Value::Plain(id) if member.name == "id" => Some(id.as_str()),
                _ => None,
            })
    }
}

fn short(words: &[Token], remedy: &'static str) -> NoRow {
    let last = words.last();
    NoRow {
        column: last.map_or(1, |last| last.column),
        what: match last {
            Some(last) => format!("the row ends after {}", last.text),
            None => "a time, and nothing that happens".to_owned(),
        },
        remedy,
    }
}

/// `shift-lead`, or `shift-lead/sl-e`.
fn role_and_person(word: &Token) -> (Token, Option<Token>) {
    let Some((role, person)) = word.text.split_once('/') else {
        return (word.clone(), None);
    };
    let person = Token {
        text: person.to_owned(),
        column: word.column + role.chars().count() + 1,
    };
    let role = Token {
        text: role.to_owned(),
        column: word.column,
    };
    (role, Some(person))
}

fn members(words: &[Token]) -> Result<Vec<Member>, NoRow> {
    let member = |word: &Token| {
        let (name, value) = word.text.split_once('=').unwrap_or(("", ""));
        let (name, value) = match name.strip_suffix(':') {
            Some(name) => (name, Value::Json(value.to_owned())),
            None => (name, Value::Plain(value.trim_matches('"').to_owned())),
        };
        if name.is_empty() {
            return Err(NoRow {
                column: word.column,
                what: format!("{} is no member", word.text),
                remedy: "write name=value without spaces, such as mass=1380.1g, a text in quotes, or name:= and JSON",
            });
        }
        Ok(Member {
            name: name.to_owned(),
            value,
            column: word.column,
        })
    };
    words.iter().map(member).collect()
}

impl OfStation {
    /// Whether it is a reading and no event.
    #[must_use]
    pub fn is_reading(&self) -> bool {
        self.kind.text == "reading"
    }

    /// Whether it is an event that has the member.
    fn says(&self, member: &str) -> bool {
        EventWord::parse(&self.kind.text).is_some_and(|word| word.has(member))
    }

    /// Whether its subject is a gauge.
    pub(crate) fn is_of_gauge(&self) -> bool {
        self.says("gauge")
    }

    /// Whether what it says beside is measured.
    pub(crate) fn measures(&self) -> bool {
        self.is_reading() || self.says("values")
    }

    /// The piece it names as its subject.
    pub(crate) fn piece(&self) -> Option<&str> {
        let piece = Some(self.subject.text.as_str()).filter(|subject| *subject != NONE);
        piece.filter(|_| !self.is_of_gauge())
    }

    /// The birth of its piece at another station, of the strata and the product it tells.
    pub(crate) fn birth_at(&self, station: &str, plant: &Plant) -> Self {
        let word = |text: &str| Token {
            text: text.to_owned(),
            column: self.subject.column,
        };
        let strata = self.members.iter().filter(|member| {
            plant.stratum(&member.name).is_some() || is_product(&member.name, plant)
        });
        Self {
            station: word(station),
            kind: word(EventWord::Birth.as_str()),
            subject: self.subject.clone(),
            members: strata.cloned().collect(),
        }
    }

    /// Where a member of it stands in the message.
    pub(crate) fn part(&self, name: &str, plant: &Plant) -> Part {
        if plant.stratum(name).is_some() {
            Part::Stratum
        } else if is_product(name, plant) {
            Part::Product
        } else if name == "at" {
            Part::Time
        } else if NUMBERS.contains(&name) {
            Part::Number
        } else if OBJECTS.contains(&name) {
            Part::Object
        } else if self.measures() && !TEXTS.contains(&name) {
            Part::Measured
        } else {
            Part::Text
        }
    }

    fn payload(&self, plant: &Plant, day: &Day, id: &str, now: &dyn Quoted) -> String {
        let mut whole = Object::default();
        let (mut strata, mut values) = (Object::default(), Object::default());
        whole.id(&self.members, id);
        if !self.is_reading() {
            whole.text("kind", &self.kind.text);
        }
        if self.subject.text != NONE {
            let name = if self.is_of_gauge() { "gauge" } else { "piece" };
            whole.text(name, &self.subject.text);
        }
        for Member { name, value, .. } in &self.members {
            let part = self.part(name, plant);
            let object = match part {
                Part::Stratum => &mut strata,
                Part::Measured => &mut values,
                Part::Text | Part::Product | Part::Time | Part::Number | Part::Object => &mut whole,
            };
            match (part, value) {
                (_, Value::Json(raw)) => object.raw(name, raw),
                (_, Value::Plain(_)) if name == "id" => {}
                (Part::Time, Value::Plain(time)) => object.text(name, &day.stamp(time)),
                (Part::Number | Part::Object, Value::Plain(number)) => object.raw(name, number),
                (Part::Measured, Value::Plain(value)) => object.raw(name, &measured(value)),
                // No disposition goes by this name: the rejection says so.
                (Part::Text, Value::Plain(text)) if name == DISPOSITION && text == AS_IT_IS => {
                    let told = self.piece().and_then(|piece| now.told(piece));
                    object.text(name, told.as_deref().unwrap_or(AS_IT_IS));
                }
                (Part::Text | Part::Stratum | Part::Product, Value::Plain(text)) => {
                    object.text(name, text);
                }
            }
        }
        whole.object("strata", &strata);
        whole.object("values", &values);
        whole.json()
    }
}

/// Whether a member says what a piece is to become: where no product is declared it is a name like others.
fn is_product(name: &str, plant: &Plant) -> bool {
    name == "product" && !plant.products.is_empty()
}

/// Where a member stands in a station's message.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Part {
    /// By itself, as a text.
    Text,
    /// By itself: what the piece is to become.
    Product,
    /// By itself, as a time.
    Time,
    /// By itself, as a number.
    Number,
    /// By itself, holding others.
    Object,
    /// In `strata`.
    Stratum,
    /// In `values`.
    Measured,
}

impl Asked {
    /// Whether a member of it says what it is about, in `of`.
    pub(crate) fn is_of(&self, name: &str) -> bool {
        RequestVerb::parse(&self.verb.text).is_some_and(|verb| verb.has("of") && !verb.has(name))
            && !RequestVerb::ALL_HAVE.contains(&name)
    }

    fn payload(&self, id: &str, now: &dyn Quoted) -> String {
        let (mut whole, mut of) = (Object::default(), Object::default());
        whole.id(&self.members, id);
        let said = |name: &str| self.members.iter().find(|member| member.name == name);
        if said("by").is_none() && self.person.is_none() {
            let by = Some(self.role.text.as_str()).filter(|role| *role != NONE);
            whole.text("by", by.unwrap_or("somebody"));
        }
        if said("reason").is_none() {
            whole.text("reason", "said in a case");
        }
        let hold = said("hold").and_then(|member| match &member.value {
            Value::Plain(hold) => Some(hold.as_str()),
            Value::Json(_) => None,
        });
        for Member { name, value, .. } in &self.members {
            let object = if self.is_of(name) {
                &mut of
            } else {
                &mut whole
            };
            match (name.as_str(), value) {
                (_, Value::Json(raw)) => object.raw(name, raw),
                ("id", Value::Plain(_)) => {}
                // No hold has this seq: the engine's own answer says what is wrong.
                ("seen", Value::Plain(seq)) if seq == AS_IT_IS => {
                    let seq = hold.and_then(|hold| now.seen(hold)).unwrap_or(0);
                    object.raw(name, &seq.to_string());
                }
                ("seen" | "for_s" | "begin", Value::Plain(plain)) => object.raw(name, plain),
                // A member that says nothing is left out, also one that would else be filled in.
                (_, Value::Plain(text)) if text.is_empty() => {}
                (_, Value::Plain(text)) => object.text(name, text),
            }
        }
        whole.object("of", &of);
        whole.json()
    }
}

/// Splits `1380.1g` into number and unit.
pub(crate) fn number_and_unit(text: &str) -> (&str, &str) {
    let end = text
        .find(|char: char| !char.is_ascii_digit() && !matches!(char, '.' | '-' | '+'))
        .unwrap_or(text.len());
    text.split_at(end)
}

fn measured(text: &str) -> String {
    match number_and_unit(text) {
        (number, "") => number.to_owned(),
        (number, unit) => format!("{{\"value\":{number},\"unit\":\"{unit}\"}}"),
    }
}

/// A JSON object written member by member, so that a row can also hold what is no JSON.
#[derive(Default)]
struct Object(String);

impl Object {
    fn raw(&mut self, name: &str, raw: &str) {
        let comma = if self.0.is_empty() { "" } else { "," };
        write!(self.0, "{comma}\"{name}\":{raw}").expect("a string takes all");
    }

    fn text(&mut self, name: &str, text: &str) {
        self.raw(
            name,
            &serde_json::to_string(text).expect("a text is plain data"),
        );
    }

    fn id(&mut self, members: &[Member], given: &str) {
        let own = members.iter().find(|member| member.name == "id");
        match own.map(|member| &member.value) {
            None => self.text("id", given),
            Some(Value::Plain(id)) if id == NONE => {}
            Some(Value::Plain(id)) => self.text("id", id),
            // Written with the other members.
            Some(Value::Json(_)) => {}
        }
    }

    fn object(&mut self, name: &str, object: &Self) {
        if !object.0.is_empty() {
            self.raw(name, &object.json());
        }
    }

    fn json(&self) -> String {
        format!("{{{}}}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixture::plant;
    use super::super::text::words;
    use super::*;

    fn read(row: &str) -> Happening {
        Happening::read(&words(row)).unwrap_or_else(|fault| panic!("{row}: {fault}"))
    }

    /// One hold and one disposition.
    struct Then;

    impl Quoted for Then {
        fn seen(&self, hold: &str) -> Option<u64> {
            (hold == "h-000001").then_some(7)
        }

        fn told(&self, piece: &str) -> Option<String> {
            (piece == "K1").then(|| "b2-7-1".to_owned())
        }
    }

    /// Where no product is declared it is a value like another.
    #[test]
    fn a_product_stands_beside_the_strata() {
        let mut plant = plant();
        let day = Day::in_zone(&plant.line.zone).expect("bundled");
        let row = read("w1 reading K1 die=D2 product=gp-24 weight=1380");
        let payload = |plant: &Plant| row.message(plant, &day, "r", &Then).map(|(_, text)| text);
        let measured = payload(&plant).expect("a message");
        assert!(measured.contains(r#""values":{"product":"#), "{measured}");
        plant.products = vec!["gp-24".into()];
        let text = r#"{"id":"r","piece":"K1","product":"gp-24","strata":{"die":"D2"},"values":{"weight":1380}}"#;
        assert_eq!(payload(&plant).as_deref(), Some(text));
        let Happening::Station(said) = &row else {
            panic!("a station says it");
        };
        let birth = Happening::Station(said.birth_at("w1", &plant));
        let birth = birth.message(&plant, &day, "b", &Then);
        let text =
            r#"{"id":"b","kind":"birth","piece":"K1","product":"gp-24","strata":{"die":"D2"}}"#;
        assert_eq!(birth.map(|(_, text)| text).as_deref(), Some(text));
    }

    #[test]
    fn a_row_becomes_the_message_it_stands_for() {
        let plant = plant();
        let day = Day::in_zone(&plant.line.zone).expect("bundled");
        let check = |row: &str, topic: &str, payload: &str| {
            let found = read(row).message(&plant, &day, "row-1", &Then);
            assert_eq!(found, Some((topic.into(), payload.into())), "{row}");
        };
        let base = "ostby/pans/b2";
        check(
            "w1 reading K1 die=D2 weight=1380.1g",
            &format!("{base}/w1/reading"),
            r#"{"id":"row-1","piece":"K1","strata":{"die":"D2"},"values":{"weight":{"value":1380.1,"unit":"g"}}}"#,
        );
        check(
            "w1 reading - id=- epoch=e seq=4 attempt=2 gauge=g-1 at=06:10:00 weight=-1.5 weight:=[1,null]",
            &format!("{base}/w1/reading"),
            r#"{"epoch":"e","seq":4,"attempt":2,"gauge":"g-1","at":"2026-03-02T06:10:00+02:00","values":{"weight":-1.5,"weight":[1,null]}}"#,
        );
        check(
            "w1 check-standard g-1 weight=999.8g",
            &format!("{base}/w1/event"),
            r#"{"id":"row-1","kind":"check-standard","gauge":"g-1","values":{"weight":{"value":999.8,"unit":"g"}}}"#,
        );
        check(
            "w1 media-change - item=\"a bag\" lab:=true",
            &format!("{base}/w1/event"),
            r#"{"id":"row-1","kind":"media-change","item":"a bag","lab":true}"#,
        );
        check(
            "w1 received K1 disposition=@",
            &format!("{base}/w1/event"),
            r#"{"id":"row-1","kind":"received","piece":"K1","disposition":"b2-7-1"}"#,
        );
        check(
            "w1 received K2 disposition=@",
            &format!("{base}/w1/event"),
            r#"{"id":"row-1","kind":"received","piece":"K2","disposition":"@"}"#,
        );
        check(
            "request release foreman hold=h-000001 seen=@ by=\"F 1\"",
            &format!("{base}/request/release/foreman"),
            r#"{"id":"row-1","reason":"said in a case","hold":"h-000001","seen":7,"by":"F 1"}"#,
        );
        check(
            "request release foreman hold=h-000009 seen=@ reason=",
            &format!("{base}/request/release/foreman"),
            r#"{"id":"row-1","by":"foreman","hold":"h-000009","seen":0}"#,
        );
        check(
            "request release foreman/f-1 hold=h-000001 seen=@",
            &format!("{base}/request/release/foreman/f-1"),
            r#"{"id":"row-1","reason":"said in a case","hold":"h-000001","seen":7}"#,
        );
        check(
            "request place-hold -/f-1 die=D2",
            &format!("{base}/request/place-hold/-/f-1"),
            r#"{"id":"row-1","reason":"said in a case","of":{"die":"D2"}}"#,
        );
        check(
            "request place-hold - die=D2 class=minor",
            &format!("{base}/request/place-hold"),
            r#"{"id":"row-1","by":"somebody","reason":"said in a case","class":"minor","of":{"die":"D2"}}"#,
        );
        check(
            "request close maintenance advisory=wear.maintenance.D2 finding=\"die worn\"",
            &format!("{base}/request/close/maintenance"),
            r#"{"id":"row-1","by":"maintenance","reason":"said in a case","advisory":"wear.maintenance.D2","finding":"die worn"}"#,
        );
    }

    #[test]
    fn what_is_no_row_is_told_where_it_stops() {
        let check = |row: &str, column: usize, what: &str| {
            let fault = Happening::read(&words(row)).expect_err("no row");
            assert_eq!((fault.column, fault.what.as_str()), (column, what), "{row}");
        };
        check("", 1, "a time, and nothing that happens");
        check("w1 reading", 4, "the row ends after reading");
        check("request release", 9, "the row ends after release");
        check("w1 reading K1 weight 3g", 15, "weight is no member");
        check("w1 reading K1 =3g", 15, "=3g is no member");
    }
}
