//! Who speaks: a rule, a duty of the engine, or a person.

use crate::names::RuleName;
use crate::plant::words;
use alloc::string::{String, ToString};
use core::fmt;
use serde::de::{Error as _, MapAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};

/// Who says something.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Speaker {
    /// A rule of the rulebook.
    Rule(RuleName),
    /// The engine, by a duty.
    Engine(Duty),
    /// A person; a claim.
    Person(String),
}

words! {
    /// What the engine does by itself, whatever the rules say.
    Duty {
        /// Times of sources, and the machine's.
        Clock = "clock",
        /// Where the line commands.
        Command = "command",
        /// One key for two messages.
        Conflict = "conflict",
        /// What is known of a piece, and what is missing.
        Evidence = "evidence",
        /// Rules that fail.
        Fault = "fault",
        /// Whether gauges may be believed.
        Gauge = "gauge",
        /// What the ledger lacks that the bus has seen.
        History = "history",
        /// Whose name it is.
        Identity = "identity",
        /// Whether there is room to write.
        Ledger = "ledger",
        /// Which routes are legal in which condition.
        Legality = "legality",
        /// What the broker lost.
        Loss = "loss",
        /// What is outside its limits.
        Tolerance = "tolerance",
    }
}

impl Speaker {
    /// The rule, where it is one.
    #[must_use]
    pub fn rule(&self) -> Option<&RuleName> {
        match self {
            Self::Rule(rule) => Some(rule),
            Self::Engine(_) | Self::Person(_) => None,
        }
    }

    /// Whether it is that rule.
    #[must_use]
    pub fn is_rule(&self, rule: &RuleName) -> bool {
        self.rule() == Some(rule)
    }
}

impl From<Duty> for Speaker {
    fn from(duty: Duty) -> Self {
        Self::Engine(duty)
    }
}

impl From<RuleName> for Speaker {
    fn from(rule: RuleName) -> Self {
        Self::Rule(rule)
    }
}

impl From<&RuleName> for Speaker {
    fn from(rule: &RuleName) -> Self {
        Self::Rule(rule.clone())
    }
}

/// `mass-miss`, `engine:tolerance`, `person:QE-1`: as the contract writes it.
impl fmt::Display for Speaker {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rule(rule) => rule.fmt(f),
            Self::Engine(duty) => write!(f, "engine:{duty}"),
            Self::Person(who) => write!(f, "person:{who}"),
        }
    }
}

impl<'de> Deserialize<'de> for Speaker {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(AnySpeaker)
    }
}

struct AnySpeaker;

impl<'de> Visitor<'de> for AnySpeaker {
    type Value = Speaker;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a rule, a duty of the engine, or a person")
    }

    /// As versions before wrote it: a rule's name has no colon.
    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<Speaker, E> {
        Ok(match text.split_once(':') {
            Some(("engine", duty)) => Speaker::Engine(
                Duty::parse(duty).ok_or_else(|| E::custom("no such duty of the engine"))?,
            ),
            Some(("person", who)) => Speaker::Person(who.to_string()),
            _ => Speaker::Rule(text.into()),
        })
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Speaker, A::Error> {
        let kind: Option<String> = map.next_key()?;
        let speaker = match kind.as_deref() {
            Some("rule") => Speaker::Rule(map.next_value()?),
            Some("engine") => Speaker::Engine(map.next_value()?),
            Some("person") => Speaker::Person(map.next_value()?),
            found => {
                let text = alloc::format!("{found:?} found, wanted rule, engine or person");
                return Err(A::Error::custom(text));
            }
        };
        match map.next_key::<String>()? {
            None => Ok(speaker),
            Some(_) => Err(A::Error::custom("one speaker, and no more")),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_speaker_reads_back_and_versions_before_are_understood() {
        let check = |speaker: Speaker, json: &str, before: &str| {
            assert_eq!(serde_json::to_string(&speaker).expect("plain data"), json);
            let read = |text: &str| serde_json::from_str::<Speaker>(text).expect(text);
            assert_eq!(read(json), speaker);
            assert_eq!(read(&alloc::format!("{before:?}")), speaker);
            assert_eq!(speaker.to_string(), before);
        };
        check(Speaker::Rule("wear".into()), r#"{"rule":"wear"}"#, "wear");
        check(
            Duty::Tolerance.into(),
            r#"{"engine":"tolerance"}"#,
            "engine:tolerance",
        );
        check(
            Speaker::Person("QE-1: x".into()),
            r#"{"person":"QE-1: x"}"#,
            "person:QE-1: x",
        );
        for bad in [
            r#"{"who":"x"}"#,
            r#"{"engine":"x"}"#,
            r#""engine:x""#,
            "{}",
            r#"{"rule":"a","rule":"b"}"#,
        ] {
            assert!(serde_json::from_str::<Speaker>(bad).is_err(), "{bad}");
        }
    }
}
