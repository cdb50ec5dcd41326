//! One request and its reply, or one look at what the line shows: each on a connection of its own, which ends with it.

use super::asker::Asker;
use crate::bus::{Heard, Network, Publish, Visit, VisitFault};
use crate::files::BadConfiguration;
use chargehand_core::RequestVerb;
use serde_json::{Map, Value, json};
use std::process;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// How long the line may take for an answer. The broker forgets a request after that, so that it is not carried out when
/// nobody waits for it any more.
const WITHIN_S: u32 = 10;
const WITHIN: Duration = Duration::from_secs(WITHIN_S as u64);
/// Of no role, where the topic says who asks.
const NO_ROLE: &str = "-";

impl Asker<'_> {
    /// Asks, and gives the reply.
    pub(super) fn request(
        &self,
        verb: RequestVerb,
        role: Option<&str>,
        members: Map<String, Value>,
    ) -> anyhow::Result<Value> {
        let id = fresh();
        let mut body = Map::from_iter([("id".to_owned(), json!(id))]);
        if !self.proven {
            body.insert("by".to_owned(), json!(self.name));
        }
        body.extend(members);
        let (base, name) = (self.base(), &self.name);
        let (topic, reply) = if self.proven {
            let role = role.unwrap_or(NO_ROLE);
            (
                format!("{base}/request/{verb}/{role}/{name}"),
                format!("{base}/reply/{verb}/{name}"),
            )
        } else {
            let role = role.map(|role| format!("/{role}")).unwrap_or_default();
            (
                format!("{base}/request/{verb}{role}"),
                format!("{base}/reply/{verb}"),
            )
        };
        let publish = Publish {
            topic,
            payload: Value::Object(body).to_string().into_bytes(),
            qos: 1,
            expiry_s: Some(WITHIN_S),
            content_type: Some("application/json"),
            ..Publish::default()
        };
        let network = Network::start()?;
        let until = Instant::now() + WITHIN;
        let mut tried = false;
        loop {
            let mut visit = self.visit(&network, &id, until)?;
            let answered = self.exchange(&mut visit, &publish, &reply, &id);
            match answered {
                // The same bytes again are the same request, which is answered and not carried out twice.
                Err(Stop::Fault(VisitFault::Connection(_))) if !tried => tried = true,
                Err(Stop::Fault(VisitFault::Late)) => anyhow::bail!(
                    "no answer in {WITHIN_S} s: whether it was carried out is not known; ask again what is open"
                ),
                Err(Stop::Fault(fault)) => return Err(fault.into()),
                Err(Stop::NotAsked(why)) => return Err(why),
                Ok(reply) => {
                    visit.end();
                    return Ok(reply);
                }
            }
        }
    }

    fn exchange(
        &self,
        visit: &mut Visit,
        publish: &Publish,
        reply: &str,
        id: &str,
    ) -> Result<Value, Stop> {
        let status = format!("{}/status", self.base());
        let kept = visit.kept(&[&status, reply])?;
        self.is_at_work(&kept, &status).map_err(Stop::NotAsked)?;
        visit.say(publish)?;
        loop {
            let heard = visit.hear()?;
            let said = said(&heard);
            if heard.topic == reply && said["request"] == id && said["by"] == *self.name {
                return Ok(said);
            }
        }
    }

    /// What the line shows under these topics, by topic.
    pub(super) fn shown(&self, below: &[&str]) -> anyhow::Result<Vec<(String, Value)>> {
        let network = Network::start()?;
        let mut visit = self.visit(&network, &fresh(), Instant::now() + WITHIN)?;
        let status = format!("{}/status", self.base());
        let topics = below.iter().map(|topic| format!("{}/{topic}", self.base()));
        let topics: Vec<String> = topics.chain([status.clone()]).collect();
        let kept = visit.kept(&topics.iter().map(String::as_str).collect::<Vec<_>>())?;
        visit.end();
        self.is_at_work(&kept, &status)?;
        let prefix = format!("{}/", self.base());
        let shown = kept.iter().filter(|heard| heard.topic != status);
        let shown = shown.map(|heard| {
            let topic = heard.topic.strip_prefix(&prefix).unwrap_or(&heard.topic);
            (topic.to_owned(), said(heard))
        });
        Ok(shown.collect())
    }

    fn visit(&self, network: &Network, id: &str, until: Instant) -> Result<Visit, VisitFault> {
        Visit::begin(network.handle(), &self.broker, &self.client_id(id), until)
    }

    /// Whether the line is there to answer.
    fn is_at_work(&self, kept: &[Heard], topic: &str) -> anyhow::Result<()> {
        let (base, name) = (self.base(), &self.name);
        let Some(status) = kept.iter().find(|heard| heard.topic == topic).map(said) else {
            anyhow::bail!(
                "the broker shows no status of line {base}: is that its base, does its daemon run, and may {name} read it?"
            );
        };
        if status["state"] == "offline" {
            let why = status["why"].as_str().unwrap_or("it does not say why");
            anyhow::bail!("line {base} is offline: {why}; nothing was asked");
        }
        if status["requests"] == "proven" && !self.proven {
            return Err(BadConfiguration(format!(
                "line {base} takes requests only of persons of its plant description, and the one given here has no {name}: bring it up to date"
            ))
            .into());
        }
        Ok(())
    }
}

/// Why there is no reply.
enum Stop {
    Fault(VisitFault),
    NotAsked(anyhow::Error),
}

impl From<VisitFault> for Stop {
    fn from(fault: VisitFault) -> Self {
        Self::Fault(fault)
    }
}

fn said(heard: &Heard) -> Value {
    serde_json::from_slice(&heard.payload).unwrap_or_default()
}

/// An id that no other request of this person has.
fn fresh() -> String {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    let since = since.unwrap_or_default().as_micros();
    format!("ask-{since:x}-{:x}", process::id())
}
