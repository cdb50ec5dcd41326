//! Each errand: what it needs, what it shows before, what it asks for. A new one is a function here, its words in
//! [`Errand`], and its line in [`carry_out`].

use super::asker::Asker;
use super::paper::{self, HoldShown};
use super::{Answer, Desk, Errand, Said, service};
use crate::files::BadConfiguration;
use chargehand_core::{HoldId, RequestVerb};
use serde_json::{Map, Value, json};

/// Sees to it that an errand can be carried out without anybody at a terminal, where nobody is.
pub(super) fn complete(errand: &Errand, said: &Said, desk: &mut dyn Desk) -> anyhow::Result<()> {
    let manned = desk.is_manned();
    let need = |given: bool, option: &str| {
        if given || manned {
            return Ok(());
        }
        Err(BadConfiguration(format!(
            "{option} is missing, and nobody sits at a terminal to be asked: give {option}"
        )))
    };
    match errand {
        Errand::Open | Errand::Show { .. } => {}
        Errand::Release { seen, .. } => {
            need(seen.is_some(), "--seen")?;
            need(said.reason.is_some(), "--reason")?;
        }
        Errand::PlaceHold { what, .. } => {
            if let Some(what) = what {
                of(what)?;
            }
            need(what.is_some(), "WHAT=NAME")?;
            need(said.reason.is_some(), "--reason")?;
        }
        Errand::Adopt {
            station,
            line,
            pieces,
        } => {
            if station.is_none() && !line && pieces.is_empty() {
                let what = "nothing to adopt; wanted pieces by name, or --station STATION for all there that want it, or --line";
                return Err(BadConfiguration(what.to_owned()).into());
            }
            need(said.reason.is_some(), "--reason")?;
        }
        Errand::Command { .. } | Errand::Observe { .. } => {
            need(said.reason.is_some(), "--reason")?;
        }
        Errand::Close { finding, .. } => {
            need(finding.is_some(), "--finding")?;
            need(said.reason.is_some(), "--reason")?;
        }
    }
    Ok(())
}

pub(super) fn carry_out(
    errand: &Errand,
    asker: &Asker<'_>,
    said: &Said,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    match errand {
        Errand::Open => open(asker),
        Errand::Show { name } => show(asker, name),
        Errand::Release { hold, seen } => release(asker, hold, *seen, said, desk),
        Errand::PlaceHold { what, class } => {
            place_hold(asker, what.as_deref(), class.as_deref(), said, desk)
        }
        Errand::Adopt {
            station,
            line,
            pieces,
        } => {
            let of_line = line.then(|| json!({ "line": asker.base() }));
            let of = station
                .as_ref()
                .map(|station| json!({ "station": station }));
            service::adopt(asker, of.or(of_line), pieces, said, desk)
        }
        Errand::Command { station, seen } => {
            service::command(asker, (true, station.as_deref()), *seen, said, desk)
        }
        Errand::Observe { station } => {
            service::command(asker, (false, station.as_deref()), None, said, desk)
        }
        Errand::Close { advisory, finding } => {
            close(asker, advisory, finding.as_deref(), said, desk)
        }
    }
}

fn open(asker: &Asker<'_>) -> anyhow::Result<Answer> {
    let shown = asker.shown(&["open"])?;
    let Some((_, open)) = shown.into_iter().next() else {
        anyhow::bail!(
            "the broker does not show {}/open to {}: its access list says who may read it",
            asker.base(),
            asker.name
        );
    };
    Ok(Answer {
        text: paper::open(asker.base(), &open),
        json: open,
        done: true,
    })
}

/// Asks to be shown a hold or a piece.
fn ask_to_show(asker: &Asker<'_>, name: &str) -> anyhow::Result<Value> {
    let what = if HoldId::names(name) { "hold" } else { "piece" };
    asker.request(RequestVerb::Show, None, members([(what, json!(name))]))
}

fn show(asker: &Asker<'_>, name: &str) -> anyhow::Result<Answer> {
    let reply = ask_to_show(asker, name)?;
    let mut text = paper::reply(&reply);
    for hold in HoldShown::all(&reply) {
        text.push('\n');
        text.push_str(&hold.to_string());
    }
    Ok(answer(text, reply))
}

fn release(
    asker: &Asker<'_>,
    hold: &str,
    seen: Option<u64>,
    said: &Said,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    let shown = ask_to_show(asker, hold)?;
    let Some(found) = HoldShown::all(&shown).next() else {
        return Ok(answer(paper::reply(&shown), Value::Null));
    };
    let role = asker.role(RequestVerb::Release, &found.who, said, desk)?;
    if seen.is_none() {
        desk.show(&found.to_string())?;
        if said.reason.is_some() {
            sure(desk, "Release it (yes or no)")?;
        }
    }
    let reason = desk.need(said.reason.as_deref(), "Why is it released", "--reason")?;
    let reply = asker.request(
        RequestVerb::Release,
        Some(&role),
        members([
            ("hold", json!(hold)),
            ("seen", json!(seen.unwrap_or(found.seq))),
            ("reason", json!(reason)),
        ]),
    )?;
    Ok(answer(paper::reply(&reply), reply))
}

fn place_hold(
    asker: &Asker<'_>,
    what: Option<&str>,
    class: Option<&str>,
    said: &Said,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    let prompt = "What is to be held: piece=NAME, station=NAME, or a stratum such as booth=B";
    let what = desk.need(what, prompt, "WHAT=NAME")?;
    let of = of(&what)?;
    let reason = desk.need(said.reason.as_deref(), "Why is it held", "--reason")?;
    let mut members = members([("of", of), ("reason", json!(reason))]);
    if let Some(class) = class {
        members.insert("class".to_owned(), json!(class));
    }
    let reply = asker.request(RequestVerb::PlaceHold, None, members)?;
    Ok(answer(paper::reply(&reply), reply))
}

fn close(
    asker: &Asker<'_>,
    advisory: &str,
    finding: Option<&str>,
    said: &Said,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    let may = roles_that_may(asker, RequestVerb::Close);
    let role = asker.role(RequestVerb::Close, &may, said, desk)?;
    if desk.is_manned() && (finding.is_none() || said.reason.is_none()) {
        let topic = format!("advisory/{advisory}");
        let shown = asker.shown(&[&topic])?;
        let Some((_, open)) = shown.first() else {
            anyhow::bail!("no advisory {advisory} is open: `ask open` lists those that are");
        };
        desk.show(&paper::advisory(open))?;
    }
    let finding = desk.need(finding, "What was found", "--finding")?;
    let reason = desk.need(said.reason.as_deref(), "Why is it closed", "--reason")?;
    let reply = asker.request(
        RequestVerb::Close,
        Some(&role),
        members([
            ("advisory", json!(advisory)),
            ("finding", json!(finding)),
            ("reason", json!(reason)),
        ]),
    )?;
    Ok(answer(paper::reply(&reply), reply))
}

/// The roles that may ask for what is about no hold.
pub(super) fn roles_that_may<'p>(asker: &Asker<'p>, verb: RequestVerb) -> Vec<&'p str> {
    let roles = asker.plant.roles.iter();
    let may = roles.filter(|role| role.may(verb, None));
    may.map(|role| role.name.as_str()).collect()
}

pub(super) fn sure(desk: &mut dyn Desk, question: &str) -> anyhow::Result<()> {
    let word = desk.ask(question)?;
    anyhow::ensure!(
        word == "yes" || word == "y",
        "not asked for, as you did not say yes"
    );
    Ok(())
}

/// `piece=P1` as a request says it.
fn of(what: &str) -> Result<Value, BadConfiguration> {
    match what.split_once('=') {
        Some((kind, name)) if !kind.is_empty() && !name.is_empty() => Ok(json!({ kind: name })),
        _ => Err(BadConfiguration(format!(
            "{what:?} says nothing that can be held; wanted piece=NAME, station=NAME, or a stratum and its value, such as booth=B"
        ))),
    }
}

pub(super) fn members<const N: usize>(members: [(&str, Value); N]) -> Map<String, Value> {
    members
        .map(|(name, value)| (name.to_owned(), value))
        .into_iter()
        .collect()
}

pub(super) fn answer(text: String, reply: Value) -> Answer {
    Answer {
        text,
        done: reply["result"] == "done",
        json: reply,
    }
}
