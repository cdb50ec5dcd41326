//! The day without a bus: the same people and stations, against a line that answers at once.
//!
//! What is said, and in which order, is what a faultless bus would carry: in one instant the stations speak from the last
//! place back to the first, and obey once all of them are answered; one with more to say in the instant obeys first. Deliberately not here: anything a bus can do wrong.

use std::collections::BTreeMap;

use crate::DemoError;
use crate::crew::{Crew, DESK, POSTS, Saying};
use crate::script::Script;
use crate::stations::{Observation, Observed};

/// Whoever answers for the line.
pub trait Respondent {
    /// The clock shows this instant (microseconds since 1970, UTC): what is published before anybody acts.
    fn tick(&mut self, now_us: i64) -> Vec<Observation>;

    /// Takes one message in; gives what is published in answer to it.
    fn take(&mut self, now_us: i64, topic: &str, payload: &[u8]) -> Vec<Observation>;
}

/// Plays a day to its end.
///
/// # Errors
///
/// [`DemoError::Unanswered`] where the line left a question open.
pub fn rehearse(script: &Script, line: &mut dyn Respondent) -> Result<Observed, DemoError> {
    let mut hall = Hall::of(script, line);
    while let Some(instant) = hall.crew.instant_after(hall.now_us) {
        hall.act(instant)?;
    }
    Ok(Observed {
        messages: hall.seen,
        unusable: hall.crew.into_unusable(),
    })
}

/// Everybody within earshot.
struct Hall<'l> {
    crew: Crew,
    line: &'l mut dyn Respondent,
    /// Who listens to a topic.
    listeners: BTreeMap<String, Vec<usize>>,
    now_us: Option<i64>,
    /// What hearing made the stations say, not yet said.
    to_say: Vec<Saying>,
    seen: Vec<Observation>,
}

impl<'l> Hall<'l> {
    fn of(script: &Script, line: &'l mut dyn Respondent) -> Hall<'l> {
        let crew = Crew::of(script);
        let mut listeners: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for (client, topics) in crew.subscriptions().into_iter().enumerate() {
            for topic in topics {
                listeners.entry(topic).or_default().push(client);
            }
        }
        Hall {
            crew,
            line,
            listeners,
            now_us: None,
            to_say: Vec::new(),
            seen: Vec::new(),
        }
    }

    fn act(&mut self, now_us: i64) -> Result<(), DemoError> {
        let before = self.line.tick(now_us);
        self.hear(before);
        let after_us = self.now_us.replace(now_us);
        for bytes in self.crew.desk.begin(now_us) {
            self.say(self.crew.asking(bytes));
        }
        for station in 0..POSTS.len() {
            for outgoing in self.crew.controllers[station].begin(now_us) {
                self.say(self.crew.saying(station, outgoing));
            }
        }
        let mut before = None;
        for (at_us, act) in self.crew.acts(after_us, now_us) {
            let speaker = Crew::speaker(&act);
            if before.replace(speaker) == Some(speaker) {
                self.obey(Some(speaker));
            }
            for saying in self.crew.perform(at_us, &act) {
                self.say(saying);
            }
        }
        if self.crew.waits() {
            return Err(DemoError::Unanswered {
                waited_s: 0,
                readings: self.crew.unanswered(),
            });
        }
        while !self.to_say.is_empty() {
            self.obey(None);
        }
        Ok(())
    }

    /// Says what the answers made one station say, or all of them.
    fn obey(&mut self, only: Option<usize>) {
        let mine = |(station, ..): &mut Saying| only.is_none_or(|only| only == *station);
        let mut sayings: Vec<Saying> = self.to_say.extract_if(.., mine).collect();
        sayings.sort_by_key(|(station, ..)| *station);
        for saying in sayings {
            self.say(saying);
        }
    }

    fn say(&mut self, (_, topic, bytes): Saying) {
        let payload = bytes.into_bytes();
        let now_us = self.now_us.unwrap_or(i64::MIN);
        let answers = self.line.take(now_us, &topic, &payload);
        self.seen.push(Observation {
            topic,
            payload,
            retained: false,
        });
        self.hear(answers);
    }

    fn hear(&mut self, messages: Vec<Observation>) {
        let now_us = self.now_us.unwrap_or(i64::MIN);
        for message in messages {
            let Observation { topic, payload, .. } = &message;
            for client in self.listeners.get(topic).into_iter().flatten().copied() {
                if client == DESK {
                    self.crew.desk.hear(topic, payload);
                    continue;
                }
                let answers = self.crew.controllers[client].hear(now_us, topic, payload);
                let sayings = answers
                    .into_iter()
                    .map(|answer| self.crew.saying(client, answer));
                self.to_say.extend(sayings.collect::<Vec<_>>());
            }
            self.seen.push(message);
        }
    }
}
