//! Messages of ours that are said once, in ledger order: dispositions, replies, rejections.

use crate::publish::{About, Heading, Publish};
use crate::states::{held, who};
use crate::{Wire, digest, digest_text, time};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use chargehand_core::codes::Code;
use chargehand_core::{
    Disposition, Hold, InputId, Outcome, PieceName, ProductName, Rejected, Reply, StationName,
    Told, Words,
};
use serde::Serialize;
use std::borrow::Cow;
use std::collections::BTreeMap;

/// How many reasons and open holds a disposition lists, and how long a text may be: a controller reads it.
const REASONS_MAX: usize = 3;
const OPEN_MAX: usize = 5;
const TEXT_MAX: usize = 80;
/// How long the text of a rejection or a reply may be.
const SENTENCE_MAX: usize = 240;
/// How many bytes of an unusable message its rejection repeats.
const BYTES_MAX: usize = 256;

/// A message that came again: what is said again goes to whoever sent it.
#[derive(Clone, Copy, Debug)]
pub struct Asker<'a> {
    /// The message.
    pub input: &'a InputId,
    /// The station that sent it, where one did.
    pub station: Option<&'a StationName>,
}

#[derive(Serialize)]
struct DispositionBody<'a> {
    id: &'a str,
    seq: u64,
    piece: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    product: Option<&'a str>,
    station: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    lap: Option<u32>,
    disposition: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    route: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    act_at: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    act_within_s: Option<f64>,
    late: bool,
    reasons: Vec<ReasonBody<'a>>,
    open: Vec<OpenBody<'a>>,
    input: &'a str,
    rulebook: &'a str,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    again: bool,
    at: &'a str,
}

#[derive(Serialize)]
struct ReasonBody<'a> {
    rule: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<&'static str>,
    text: Cow<'a, str>,
}

#[derive(Serialize)]
struct OpenBody<'a> {
    id: &'a str,
    seq: u64,
}

#[derive(Serialize)]
struct ReplyBody<'a> {
    request: &'a str,
    #[serde(skip_serializing_if = "str::is_empty")]
    by: &'a str,
    result: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<&'static str>,
    text: Cow<'a, str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    hold: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    seen: Option<u64>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    shown: Vec<ShownBody<'a>>,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    again: bool,
    at: &'a str,
}

/// A hold as a person is shown it who may release it.
#[derive(Serialize)]
struct ShownBody<'a> {
    id: &'a str,
    seq: u64,
    class: &'a str,
    of: BTreeMap<&'a str, &'a str>,
    rule: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<&'static str>,
    reason: Cow<'a, str>,
    since: String,
    ready: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    asked_by: Option<&'a str>,
    who: Vec<&'a str>,
}

#[derive(Serialize)]
struct RejectedBody<'a> {
    topic: &'a str,
    input: &'a str,
    reason: &'a str,
    #[serde(rename = "where")]
    at_member: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    code: Option<&'static str>,
    text: Cow<'a, str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    piece: Option<&'a str>,
    bytes: String,
    length: usize,
    digest: &'a str,
    seq: u64,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    again: bool,
    at: &'a str,
}

impl Wire {
    /// What one outcome says on the bus: nothing, one message, or the same on two topics. `index` is its
    /// place among the record's outcomes, from 1; `again` is the message that came
    /// twice: the answer goes to its sender, under the disposition's own id.
    #[must_use]
    pub fn messages(
        &self,
        heading: &Heading<'_>,
        index: u32,
        outcome: &Outcome,
        again: Option<Asker<'_>>,
    ) -> Vec<Publish> {
        let told = Told {
            seq: heading.seq,
            index,
        };
        match outcome {
            Outcome::Disposition(disposition) => {
                self.disposition(heading, told, disposition, again)
            }
            Outcome::Reply(reply) => self.reply(heading, told, reply, again.is_some()),
            Outcome::Rejected(rejected) => {
                vec![self.rejected(heading, told, rejected, again.is_some())]
            }
            _ => Vec::new(),
        }
    }

    /// The name a disposition goes by.
    #[must_use]
    pub fn id(&self, told: Told) -> String {
        format!("{}-{:010}-{}", self.last, told.seq, told.index)
    }

    /// The disposition that goes by a name; none where no disposition can.
    #[must_use]
    pub fn told(&self, id: &str) -> Option<Told> {
        let (_, place) = id.split_once(&format!("{}-", self.last))?;
        let (seq, index) = place.split_once('-')?;
        let told = Told {
            seq: seq.parse().ok()?,
            index: index.parse().ok()?,
        };
        // Written in one way only.
        (self.id(told) == id).then_some(told)
    }

    fn disposition(
        &self,
        heading: &Heading<'_>,
        told: Told,
        disposition: &Disposition,
        again: Option<Asker<'_>>,
    ) -> Vec<Publish> {
        let id = self.id(told);
        let at = time::print(heading.at, &self.zone);
        let act_at = disposition.act_at.as_ref().map(|station| station.as_str());
        let reasons = disposition.reasons.iter().take(REASONS_MAX);
        let open = disposition.open.iter().take(OPEN_MAX);
        let body = DispositionBody {
            id: &id,
            seq: heading.seq,
            piece: disposition.piece.as_str(),
            product: disposition.product.as_ref().map(ProductName::as_str),
            station: disposition.station.as_str(),
            lap: Some(disposition.lap).filter(|lap| *lap > 1),
            disposition: disposition.word.as_str(),
            route: disposition.route.as_deref(),
            act_at,
            act_within_s: disposition
                .act_within
                .map(|span| span.millis() as f64 / 1000.0),
            late: disposition.late,
            reasons: reasons
                .map(|reason| ReasonBody {
                    rule: reason.rule.to_string(),
                    code: code(&reason.text),
                    text: cut(self.say(&reason.text)),
                })
                .collect(),
            open: open
                .map(|hold| OpenBody {
                    id: hold.id.as_str(),
                    seq: hold.seq,
                })
                .collect(),
            input: again
                .map_or(&disposition.input, |asker| asker.input)
                .as_str(),
            rulebook: disposition.rulebook.as_str(),
            again: disposition.again || again.is_some(),
            at: &at,
        };
        let about = || About {
            word: "disposition",
            id: id.clone(),
            time: at.clone(),
            subject: Some(disposition.piece.as_str()),
        };
        let asker = again.and_then(|asker| asker.station);
        let station = asker.unwrap_or(&disposition.station).as_str();
        let to = |station: &str| {
            Publish::new(
                format!("{}{station}/disposition", self.prefix),
                self.base(),
                about(),
                &body,
            )
        };
        let gate = act_at.filter(|gate| *gate != station);
        // Who asks again asks now, whenever it was decided.
        let asked = again.map_or(heading.seq, |_| u64::MAX);
        let told = |station: &&str| heading.observing.is_told(station, asked);
        let stations = gate.into_iter().chain([station]);
        stations.filter(told).map(to).collect()
    }

    fn reply(&self, heading: &Heading<'_>, told: Told, reply: &Reply, again: bool) -> Vec<Publish> {
        let at = time::print(heading.at, &self.zone);
        let body = ReplyBody {
            request: reply.request.as_str(),
            by: &reply.by,
            result: reply.result.as_str(),
            code: code(&reply.text),
            text: shorten(self.say(&reply.text)),
            hold: reply.hold.as_ref().map(|hold| hold.as_str()),
            seen: reply.seen,
            shown: reply.shown.iter().map(|hold| self.shown(hold)).collect(),
            again,
            at: &at,
        };
        let to = |topic: String| {
            let about = About {
                word: "reply",
                id: self.id(told),
                time: at.clone(),
                subject: Some(reply.request.as_str()),
            };
            let mut publish = Publish::new(topic, self.base(), about, &body);
            publish.correlation = heading.correlation.map(<[u8]>::to_vec);
            publish
        };
        // A verb that is no topic level cannot be answered on a topic of its own.
        let verb = if reply.verb.contains(['+', '#', '\0']) || reply.verb.is_empty() {
            "unknown"
        } else {
            &reply.verb
        };
        let topic = format!("{}reply/{verb}", self.prefix);
        let mut publishes = vec![to(topic.clone())];
        // Who may ask with one verb may not speak under another, nor to another person.
        let own = self
            .person_of(heading.topic)
            .map(|person| format!("{topic}/{person}"));
        let below = format!("{}/", own.as_ref().unwrap_or(&topic));
        let elsewhere = heading
            .response_topic
            .filter(|asked| asked.starts_with(&below) && !asked.contains(['+', '#', '\0']))
            .map(ToOwned::to_owned);
        publishes.extend(elsewhere.or(own).map(to));
        publishes
    }

    fn shown<'a>(&'a self, hold: &'a Hold) -> ShownBody<'a> {
        ShownBody {
            id: hold.id.as_str(),
            seq: hold.seq,
            class: hold.class.as_str(),
            of: BTreeMap::from([held(&hold.of, PieceName::as_str)]),
            rule: hold.rule.to_string(),
            code: code(&hold.reason),
            reason: shorten(self.say(&hold.reason)),
            since: time::print(hold.since, &self.zone),
            ready: hold.ready,
            asked_by: hold.asked_by.as_deref(),
            who: who(&self.plant, hold),
        }
    }

    fn rejected(
        &self,
        heading: &Heading<'_>,
        told: Told,
        rejected: &Rejected,
        again: bool,
    ) -> Publish {
        let at = time::print(heading.at, &self.zone);
        let head = &heading.payload[..heading.payload.len().min(BYTES_MAX)];
        let body = RejectedBody {
            topic: heading.topic,
            input: rejected.input.as_str(),
            reason: rejected.reason.as_str(),
            at_member: &rejected.at,
            code: code(&rejected.text),
            text: shorten(self.say(&rejected.text)),
            piece: rejected.piece.as_ref().map(|piece| piece.as_str()),
            bytes: STANDARD.encode(head),
            length: heading.length,
            digest: heading
                .digest
                .get_or_init(|| digest_text(&digest(heading.payload))),
            seq: heading.seq,
            again,
            at: &at,
        };
        let subject = rejected
            .piece
            .as_ref()
            .map_or(rejected.input.as_str(), |piece| piece.as_str());
        let about = About {
            word: "rejected",
            id: self.id(told),
            time: at.clone(),
            subject: Some(subject),
        };
        Publish::new(
            format!("{}rejected", self.prefix),
            self.base(),
            about,
            &body,
        )
    }

    /// The line's base.
    #[must_use]
    pub fn base(&self) -> &str {
        &self.plant.line.base
    }
}

/// The code of the engine's words.
pub(crate) fn code(words: &Words) -> Option<&'static str> {
    words.code().map(Code::as_str)
}

/// A text as long as a controller reads.
pub(crate) fn cut(text: Cow<'_, str>) -> Cow<'_, str> {
    within(text, TEXT_MAX)
}

/// A sentence that repeats what somebody sent, which may be long.
fn shorten(text: Cow<'_, str>) -> Cow<'_, str> {
    within(text, SENTENCE_MAX)
}

fn within(text: Cow<'_, str>, characters: usize) -> Cow<'_, str> {
    if text.chars().nth(characters).is_none() {
        return text;
    }
    let kept: String = text.chars().take(characters - 1).collect();
    Cow::Owned(format!("{kept}…"))
}

#[cfg(test)]
mod tests {
    use super::cut;

    #[test]
    fn texts_are_cut_at_eighty_characters() {
        assert_eq!(cut("ä".repeat(80).into()), "ä".repeat(80));
        let long = cut("ä".repeat(81).into()).into_owned();
        assert_eq!(long.chars().count(), 80);
        assert!(long.ends_with('…'));
    }
}
