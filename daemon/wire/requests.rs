//! Requests: what people ask.

use crate::identity::{Identity, identity};
use crate::json::{self, Members};
use crate::members::{Found, name, refuse};
use crate::{digest, digest_text};
use chargehand_core::codes;
use chargehand_core::{
    Adopt, AdvisoryId, ClassName, Close, Command, Fault, HoldId, Input, InputId, PieceName, Place,
    PlaceHold, RejectReason, Release, Request, RequestKind, RequestVerb, RoleName, Scope, Show,
    Source, SourceKind, StationName, StratumName, Words,
};
use serde_json::value::RawValue;

/// So many pieces are named in one request.
const ADOPT_MAX: usize = 1000;

/// What a request's topic says.
#[derive(Clone, Copy)]
pub(crate) struct Asked<'t> {
    pub verb: &'t str,
    pub role: Option<&'t str>,
    /// Who asks: the broker lets nobody else publish there.
    pub person: Option<&'t str>,
}

/// A request is answered as soon as its id can be read: what else is wrong with it is a refusal.
pub(crate) fn request(
    Asked { verb, role, person }: Asked<'_>,
    members: &Members<'_>,
    payload: &[u8],
) -> Result<Found, Fault> {
    let Some(Identity { key, input }) = identity(members) else {
        let text = codes::request_without_id();
        return Err(refuse(RejectReason::Missing, "/id", text));
    };
    let text = |member: &'static str| -> Result<String, Words> {
        let value = members
            .find(member)
            .ok_or_else(|| codes::member_missing(member))?;
        name(value, &format!("/{member}")).map_err(|fault| fault.text)
    };
    // A reason may be longer than a name.
    let reason = || -> Result<String, Words> {
        let value = members
            .find("reason")
            .and_then(json::text)
            .ok_or_else(|| codes::member_missing("reason"))?;
        if value.trim().is_empty() {
            Err(codes::reason_empty())
        } else {
            Ok(value.into_owned())
        }
    };
    let by_whom = || match (person, members.find("by")) {
        (None, _) => text("by").map(drop),
        (Some(_), None) => Ok(()),
        (Some(person), Some(_)) => match text("by")? {
            by if by == person => Ok(()),
            by => Err(codes::by_differs(by, person)),
        },
    };
    let wants_reason = RequestVerb::parse(verb).is_none_or(RequestVerb::wants_reason);
    let kind = by_whom()
        .and_then(|()| {
            if wants_reason {
                reason().map(drop)
            } else {
                Ok(())
            }
        })
        .and_then(|_| kind(verb, members));
    let input = InputId::from(input);
    let kind = kind.unwrap_or_else(|text| RequestKind::Refused { text });
    let by = person.map_or_else(|| asker(members), str::to_owned);
    Ok(Found {
        identity: asked_under(verb, &by, &key, payload),
        source: Source {
            input: input.clone(),
            station: None,
            kind: SourceKind::Request,
        },
        piece: None,
        input: Input::Request(Request {
            input,
            verb: verb.to_owned(),
            role: role.map(RoleName::from),
            by,
            proven: person.is_some(),
            reason: reason().unwrap_or_default(),
            kind,
        }),
    })
}

/// Under which key a request is known, beside the topic with its verb and role: two persons who number alike are two.
/// One to hold goes by its bytes too, so that no other message can stand in its way.
fn asked_under(verb: &str, by: &str, id: &str, payload: &[u8]) -> String {
    // Quoted, a name ends where it ends.
    let by = serde_json::to_string(by).expect("a text is JSON");
    if RequestVerb::parse(verb) == Some(RequestVerb::PlaceHold) {
        format!("by:{by} {id} d:{}", digest_text(&digest(payload)))
    } else {
        format!("by:{by} {id}")
    }
}

/// Who asks, where that can be read.
pub(crate) fn asker(members: &Members<'_>) -> String {
    let by = members.find("by").and_then(|by| name(by, "/by").ok());
    by.unwrap_or_default()
}

fn kind(verb: &str, members: &Members<'_>) -> Result<RequestKind, Words> {
    let known = RequestVerb::parse(verb);
    match known.ok_or_else(|| codes::verb_unknown(verb))? {
        RequestVerb::Release => {
            let hold = members.find("hold").ok_or_else(codes::which_hold)?;
            let hold = name(hold, "/hold").map_err(|fault| fault.text)?;
            let seen = members.find("seen").and_then(json::whole);
            let seen = seen.ok_or_else(codes::seen_missing)?;
            Ok(RequestKind::Release(Release {
                hold: HoldId::from(hold),
                seen,
            }))
        }
        RequestVerb::Close => {
            let advisory = members.find("advisory").ok_or_else(codes::which_advisory)?;
            let advisory = name(advisory, "/advisory").map_err(|fault| fault.text)?;
            let finding = members
                .find("finding")
                .and_then(json::text)
                .filter(|finding| !finding.trim().is_empty())
                .ok_or_else(codes::finding_missing)?;
            Ok(RequestKind::Close(Close {
                advisory: AdvisoryId::from(advisory),
                finding: finding.into_owned(),
            }))
        }
        RequestVerb::PlaceHold => place_hold(members).map(RequestKind::PlaceHold),
        RequestVerb::Show => show(members).map(RequestKind::Show),
        RequestVerb::Adopt => adopt(members).map(RequestKind::Adopt),
        RequestVerb::Command => command(members).map(RequestKind::Command),
        other => Err(codes::verb_not_here(other.as_str())),
    }
}

fn show(members: &Members<'_>) -> Result<Show, Words> {
    let named = |member: &'static str| {
        let value = members.find(member)?;
        Some(name(value, &format!("/{member}")).map_err(|fault| fault.text))
    };
    match (named("hold"), named("piece")) {
        (Some(hold), None) => Ok(Show::Hold(HoldId::from(hold?))),
        (None, Some(piece)) => Ok(Show::Piece(PieceName::from(piece?))),
        _ => Err(codes::show_one()),
    }
}

/// A station, or the line by its base.
fn place(of: &RawValue) -> Option<Result<Place, Words>> {
    let of: Members<'_> = serde_json::from_str(of.get()).ok()?;
    let named = |value, at: &str| name(value, at).map_err(|fault| fault.text);
    match (of.find("station"), of.find("line")) {
        (Some(station), None) => {
            let station = named(station, "/of/station");
            Some(station.map(|station| Place::Station(station.into())))
        }
        (None, Some(line)) => Some(named(line, "/of/line").map(Place::Line)),
        _ => None,
    }
}

fn adopt(members: &Members<'_>) -> Result<Adopt, Words> {
    let of = members.find("of");
    let of = of.map(|of| place(of).unwrap_or_else(|| Err(codes::adopt_of_what())));
    let of = of.transpose()?;
    let pieces = members.find("pieces").map(|pieces| {
        let pieces: Vec<&RawValue> =
            serde_json::from_str(pieces.get()).map_err(|_| codes::adopt_no_list())?;
        if pieces.is_empty() || pieces.len() > ADOPT_MAX {
            return Err(codes::adopt_too_many(ADOPT_MAX));
        }
        let named = |(index, piece): (usize, &&RawValue)| {
            let named = name(piece, &format!("/pieces/{index}")).map(PieceName::from);
            named.map_err(|fault| fault.text)
        };
        pieces.iter().enumerate().map(named).collect()
    });
    let pieces = pieces.transpose()?;
    if of.is_none() && pieces.is_none() {
        return Err(codes::adopt_of_what());
    }
    Ok(Adopt { of, pieces })
}

fn command(members: &Members<'_>) -> Result<Command, Words> {
    let of = members.find("of").and_then(place);
    let of = of.unwrap_or_else(|| Err(codes::command_of_what()))?;
    let begin = match members.find("begin").map(|flag| flag.get()) {
        Some("true") => true,
        Some("false") => false,
        _ => return Err(codes::command_or_not()),
    };
    Ok(Command {
        of,
        begin,
        seen: members.find("seen").and_then(json::whole),
    })
}

fn place_hold(members: &Members<'_>) -> Result<PlaceHold, Words> {
    let of = members.find("of").ok_or_else(codes::of_missing)?;
    let of: Members<'_> = serde_json::from_str(of.get()).map_err(|_| codes::of_no_object())?;
    let (mut piece, mut station, mut stratum) = (None, None, None);
    for (member, value) in &of.0 {
        let value = name(value, &format!("/of/{member}")).map_err(|fault| fault.text)?;
        match &**member {
            "piece" => piece = Some(PieceName::from(value)),
            "station" => station = Some(StationName::from(value)),
            _ if stratum.is_some() => return Err(codes::of_two_strata()),
            other => stratum = Some((StratumName::from(other), value)),
        }
    }
    let scope = match members.find("scope") {
        None => None,
        Some(scope) => {
            let word = json::text(scope).unwrap_or_default();
            let known = Scope::parse(&word);
            Some(known.ok_or_else(|| codes::scope_unknown(word))?)
        }
    };
    let class = members
        .find("class")
        .map(|class| name(class, "/class"))
        .transpose()
        .map_err(|fault| fault.text)?;
    Ok(PlaceHold {
        piece,
        station,
        stratum,
        scope,
        class: class.map(ClassName::from),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A request that says nothing: one that is answered lacks something, any other is refused as a whole.
    #[test]
    fn what_is_not_answered_is_refused_by_name() {
        for verb in RequestVerb::ALL {
            let refused = kind(verb.as_str(), &Members::default()).expect_err("it says nothing");
            let later = codes::verb_not_here(verb.as_str());
            assert_eq!(refused == later, !verb.is_answered(), "{refused:?}");
        }
    }
}
