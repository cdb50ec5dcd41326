//! Errands on the way of a line into service: to take over what is in flight, to begin to command, to observe only.

use super::asker::Asker;
use super::errands::{answer, members, roles_that_may, sure};
use super::{Answer, Desk, Said, paper};
use chargehand_core::RequestVerb;
use serde_json::{Value, json};

/// Takes over pieces in flight: these, or those of a station or of the line that want it.
pub(super) fn adopt(
    asker: &Asker<'_>,
    of: Option<Value>,
    pieces: &[String],
    said: &Said,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    let may = roles_that_may(asker, RequestVerb::Adopt);
    let role = asker.role(RequestVerb::Adopt, &may, said, desk)?;
    let reason = desk.need(
        said.reason.as_deref(),
        "Why are they taken over",
        "--reason",
    )?;
    let mut members = members([("reason", json!(reason))]);
    if let Some(of) = of {
        members.insert("of".to_owned(), of);
    }
    if !pieces.is_empty() {
        members.insert("pieces".to_owned(), json!(pieces));
    }
    let reply = asker.request(RequestVerb::Adopt, Some(&role), members)?;
    Ok(answer(paper::reply(&reply), reply))
}

/// Begins to command a station or the line, or goes back to observing. Where holds begin with it, the line names them
/// first, and wants to be asked again.
pub(super) fn command(
    asker: &Asker<'_>,
    (begin, station): (bool, Option<&str>),
    seen: Option<u64>,
    said: &Said,
    desk: &mut dyn Desk,
) -> anyhow::Result<Answer> {
    let may = roles_that_may(asker, RequestVerb::Command);
    let role = asker.role(RequestVerb::Command, &may, said, desk)?;
    let reason = desk.need(said.reason.as_deref(), "Why", "--reason")?;
    let of = match station {
        Some(station) => json!({ "station": station }),
        None => json!({ "line": asker.base() }),
    };
    let ask = |seen: Option<u64>| {
        let mut members = members([
            ("of", of.clone()),
            ("begin", json!(begin)),
            ("reason", json!(reason)),
        ]);
        if let Some(seen) = seen {
            members.insert("seen".to_owned(), json!(seen));
        }
        asker.request(RequestVerb::Command, Some(&role), members)
    };
    let mut reply: Value = ask(seen)?;
    while reply["result"] == "waiting"
        && let Some(newest) = reply["seen"].as_u64()
        && desk.is_manned()
    {
        desk.show(&paper::reply(&reply))?;
        sure(desk, "Begin with these holds (yes or no)")?;
        reply = ask(Some(newest))?;
    }
    Ok(answer(paper::reply(&reply), reply))
}
