//! The broker's access list, made of plant descriptions: one block a user, and in it what that user needs and no more.
//!
//! Deliberately not here: who a user is. That the broker asks a password or a certificate for each, and calls every
//! client by its user, stands in its own configuration.

use crate::config;
use crate::files::{BadConfiguration, read_plant};
use crate::shown::shown;
use chargehand_core::{Person, Plant, RequestVerb, Station};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::PathBuf;

/// What the daemon says of a line, below its base.
const SAID: &[&str] = &[
    "+/disposition",
    "+/hold",
    "+/beat",
    "alarm/+",
    "advisory/+",
    "reply/#",
    "rejected",
    "open",
    "status",
    "head",
];
/// What it hears, beside topics of stations' own.
const HEARD: &[&str] = &["+/reading", "+/event", "request/#", "head"];
/// What it looks at while another may be at work for the line.
const LOOKED_AT: &[&str] = &["head", "status", "+/beat"];
/// What a station hears of the line, and of itself.
const LINES: &[&str] = &["rejected", "status"];
const OWN: &[&str] = &["disposition", "hold", "beat"];
/// What people see who ask.
const SHOWN: &[&str] = &["status", "open", "alarm/+", "advisory/+", "+/hold"];

const HEAD: &str = "\
# Who may publish and read what at the broker: one block a user. Made by `chargehand access`, of the plant descriptions named
# below: make it again after each change of them, do not edit it. Goes to /etc/mosquitto/chargehand.acl.
#
# It proves who asks only where the broker knows its users, and calls every client by its user, as deploy/mosquitto.conf
# has it: `allow_anonymous false` and `use_username_as_clientid true`. What is not listed here is nobody's.
";

/// One user's block.
#[derive(Default)]
struct Block {
    /// Who that is, of which lines; in words.
    who: Vec<String>,
    /// `read` or `write`, and what.
    topics: Vec<(&'static str, String)>,
}

/// The users of a broker, in the order they are listed.
#[derive(Default)]
struct Users {
    blocks: Vec<(String, Block)>,
    places: BTreeMap<String, (usize, Kind)>,
}

/// What a user is: one name is never of two kinds, and never of two stations.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Kind {
    Own,
    Person,
}

impl Users {
    fn block(
        &mut self,
        name: &str,
        kind: Kind,
        who: String,
    ) -> Result<&mut Block, BadConfiguration> {
        let place = match self.places.get(name) {
            None => {
                let place = self.blocks.len();
                self.places.insert(name.to_owned(), (place, kind));
                self.blocks.push((name.to_owned(), Block::default()));
                place
            }
            // A person may have to do with several lines.
            Some((place, Kind::Person)) if kind == Kind::Person => *place,
            Some((place, _)) => {
                let first = &self.blocks[*place].1.who[0];
                return Err(BadConfiguration(format!(
                    "the broker's user {name} would be {first} and {who}: name one of them otherwise"
                )));
            }
        };
        let block = &mut self.blocks[place].1;
        block.who.push(who);
        Ok(block)
    }
}

impl Block {
    fn may(&mut self, what: &'static str, topics: impl IntoIterator<Item = String>) {
        for topic in topics {
            let line = (what, topic);
            if !self.topics.contains(&line) {
                self.topics.push(line);
            }
        }
    }
}

/// The list, for lines on one broker.
///
/// # Errors
/// A plant description is wrong, or two of what they name would be one user.
pub fn access(plants: &[PathBuf]) -> Result<String, BadConfiguration> {
    let mut users = Users::default();
    let mut text = String::from(HEAD);
    for path in plants {
        let described = read_plant(path)?.described;
        let plant = described.plant();
        let base = &plant.line.base;
        writeln!(
            text,
            "#\n# line {base}: {}",
            shown(&path.display().to_string())
        )
        .expect("a string takes all");
        if plant.persons.is_empty() {
            text.push_str("#   names no [[person]], so that nobody may ask for anything there\n");
        }
        line(&mut users, plant)?;
    }
    for (name, block) in &users.blocks {
        writeln!(text, "\n# {}\nuser {name}", block.who.join("; ")).expect("a string takes all");
        for (what, topic) in &block.topics {
            writeln!(text, "topic {what} {topic}").expect("a string takes all");
        }
    }
    Ok(text)
}

/// The users of one line.
fn line(users: &mut Users, plant: &Plant) -> Result<(), BadConfiguration> {
    let base = &plant.line.base;
    let below = |topics: &[&str]| -> Vec<String> {
        topics
            .iter()
            .map(|topic| format!("{base}/{topic}"))
            .collect()
    };
    let mapped = |station: &Station| -> Vec<String> {
        station
            .topics
            .iter()
            .map(|map| map.filter.clone())
            .collect()
    };

    let daemon = users.block(
        &config::client_id(base),
        Kind::Own,
        format!("the daemon, for line {base}"),
    )?;
    daemon.may("read", below(HEARD));
    daemon.may("read", plant.stations.iter().flat_map(mapped));
    daemon.may("write", below(SAID));
    let who = format!("the daemon, looking at what the broker keeps of line {base}");
    let look = users.block(&config::look_user(base), Kind::Own, who)?;
    look.may("read", below(LOOKED_AT));

    for station in &plant.stations {
        let name = &station.name;
        let who = format!("station {name} of line {base}");
        let block = users.block(&config::user(base, name.as_str()), Kind::Own, who)?;
        let own = |word: &str| format!("{base}/{name}/{word}");
        block.may("write", ["reading", "event"].map(own));
        block.may("write", mapped(station));
        block.may("read", OWN.iter().copied().map(own));
        block.may("read", below(LINES));
    }
    let who = format!("the laboratory, for line {base}");
    let lab = users.block(&config::user(base, "lab"), Kind::Own, who)?;
    lab.may("write", below(&["lab/reading"]));
    lab.may("read", below(LINES));

    for person in &plant.persons {
        let who = format!("{} of line {base}", roles(person));
        let block = users.block(&person.name, Kind::Person, who)?;
        block.may("write", requests(plant, person));
        block.may("read", [format!("{base}/reply/+/{}/#", person.name)]);
        block.may("read", below(SHOWN));
    }
    let who = format!("whoever watches line {base}");
    let reader = users.block(&config::user(base, "reader"), Kind::Own, who)?;
    reader.may("read", below(&["#"]));
    Ok(())
}

fn roles(person: &Person) -> String {
    match person.roles.as_slice() {
        [] => "somebody without a role".to_owned(),
        roles => {
            let roles: Vec<&str> = roles.iter().map(|role| role.as_str()).collect();
            roles.join(" and ")
        }
    }
}

/// Where a person asks: without a role for more care, and in each of theirs for what that may.
fn requests(plant: &Plant, person: &Person) -> Vec<String> {
    let base = &plant.line.base;
    let answered = || RequestVerb::ALL.iter().filter(|verb| verb.is_answered());
    let topic =
        |verb: &RequestVerb, role: &str| format!("{base}/request/{verb}/{role}/{}", person.name);
    let mut topics: Vec<String> = answered()
        .filter(|verb| !verb.in_role())
        .map(|verb| topic(verb, "-"))
        .collect();
    for role in &person.roles {
        let may = plant
            .role(role.as_str())
            .map(|role| role.may.as_slice())
            .unwrap_or_default();
        let given = |verb: &&RequestVerb| {
            verb.in_role() && may.iter().any(|permission| permission.verb == **verb)
        };
        topics.extend(
            answered()
                .filter(given)
                .map(|verb| topic(verb, role.as_str())),
        );
    }
    topics
}
