//! What people ask: to hold, and to free. Anything else is refused by name until its part exists.

use crate::contract::RequestVerb;
use crate::hold::{HoldOf, Wish};
use crate::input::{Close, PlaceHold, Release, Request, RequestKind, SourceKind};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{ClassName, HoldId, RoleName, RuleName};
use crate::outcome::{Closed, Freed, Outcome, Reply, ReplyResult};
use crate::plant::{Plant, Scope};
use crate::settling::default_class;
use crate::state::add_past;
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec::Vec;

/// What came of a request, before it is a reply.
struct Answer {
    result: ReplyResult,
    text: String,
    hold: Option<HoldId>,
}

impl Answer {
    fn refused(text: String) -> Self {
        Self {
            result: ReplyResult::Refused,
            text,
            hold: None,
        }
    }
}

impl<J: Judge> Line<J> {
    pub(crate) fn on_request(&mut self, request: &Request) {
        self.note_taken(None, SourceKind::Request, &request.input);
        let answer = match &request.kind {
            RequestKind::Refused { text } => Answer::refused(text.clone()),
            RequestKind::Release(release) => self.release(request, release),
            RequestKind::PlaceHold(place_hold) => self.place_hold(request, place_hold),
            RequestKind::Close(close) => self.close(request, close),
        };
        let seen = answer
            .hold
            .as_ref()
            .and_then(|id| self.state.holds.get(id))
            .map(|hold| hold.seq);
        let reply = Outcome::Reply(Reply {
            request: request.input.clone(),
            verb: request.verb.clone(),
            by: request.by.clone(),
            result: answer.result,
            text: answer.text,
            hold: answer.hold,
            seen,
        });
        self.outcomes.push(reply);
    }

    /// What is to be said of a request that came again: it is not carried out again, so the reply tells how what it
    /// asked for stands now. `outcomes` are those it had.
    #[must_use]
    pub fn reply_again(&self, reply: &Reply, outcomes: &[Outcome]) -> Reply {
        let open = reply.hold.as_ref().and_then(|id| self.state.holds.get(id));
        let closed = outcomes.iter().find_map(|outcome| match outcome {
            Outcome::Closed(closed) => Some(&closed.advisory),
            _ => None,
        });
        let (result, text) = match (reply.result, RequestVerb::parse(&reply.verb), &reply.hold) {
            (ReplyResult::Done, Some(RequestVerb::PlaceHold), Some(id)) if open.is_none() => {
                let text = "was opened by this request and is free now: to hold again, ask under another id";
                (ReplyResult::Refused, format!("{id} {text}"))
            }
            (ReplyResult::Done, Some(RequestVerb::Close), _)
                if closed.is_some_and(|id| self.state.advisories.contains_key(id)) =>
            {
                let text = "the advisory was closed by this request and is open again: see `open`";
                (ReplyResult::Refused, text.into())
            }
            (ReplyResult::Waiting, _, Some(id)) => match open {
                None => (ReplyResult::Done, format!("{id} is free")),
                Some(hold) if hold.asked_by.as_ref() == Some(&reply.by) => {
                    (ReplyResult::Waiting, reply.text.clone())
                }
                Some(hold) => {
                    let text = "says more since this request: read it again before you release it";
                    (ReplyResult::Refused, format!("{} {text}", hold.id))
                }
            },
            (ReplyResult::Refused, _, Some(id)) if open.is_none() => (
                ReplyResult::Refused,
                format!("{id} is free now; this request was refused: {}", reply.text),
            ),
            (result, ..) => (result, reply.text.clone()),
        };
        Reply {
            result,
            text,
            hold: reply.hold.clone(),
            seen: open.map(|hold| hold.seq),
            ..reply.clone()
        }
    }

    fn release(&mut self, request: &Request, release: &Release) -> Answer {
        let Some(role) = &request.role else {
            return Answer::refused(
                "a release is made in a role: publish to request/release/<role>".into(),
            );
        };
        let Some(hold) = self.state.holds.get_mut(&release.hold) else {
            return Answer::refused(format!(
                "no hold {} is open: see `open` for those that are",
                release.hold
            ));
        };
        if let Some(text) = forbidden(&self.plant, role, RequestVerb::Release, Some(&hold.class)) {
            return Answer {
                hold: Some(release.hold.clone()),
                ..Answer::refused(text)
            };
        }
        if hold.seq != release.seen {
            let text = format!(
                "{} was seen at {} and says more since {}: read it again before you release it",
                hold.id, release.seen, hold.seq
            );
            return Answer {
                hold: Some(release.hold.clone()),
                ..Answer::refused(text)
            };
        }
        let mut second = None;
        if self.plant.second_person(&hold.class) {
            match &hold.asked_by {
                Some(first) if *first != request.by => second = Some(request.by.clone()),
                _ => {
                    hold.asked_by = Some(request.by.clone());
                    let text = format!("holds of class {} need a second person", hold.class);
                    return Answer {
                        result: ReplyResult::Waiting,
                        text,
                        hold: Some(release.hold.clone()),
                    };
                }
            }
        }
        let by = if second.is_some() {
            hold.asked_by.clone().unwrap_or_default()
        } else {
            request.by.clone()
        };
        let of = hold.of.clone();
        self.free(Freed {
            hold: release.hold.clone(),
            of: of.clone(),
            by,
            second,
            role: role.clone(),
            reason: request.reason.clone(),
        });
        // A freed piece has another disposition; a freed gate frees no piece.
        if let HoldOf::Piece(name) = &of
            && self.state.pieces.contains_key(name.as_str())
        {
            self.announce(name, &request.input);
        }
        let own = self
            .state
            .holds
            .values()
            .filter(|hold| hold.origin == release.hold.as_str())
            .count();
        let keep = match own {
            0 => String::new(),
            1 => "; one piece that stood there keeps a hold of its own".into(),
            many => format!("; {many} pieces that stood there keep holds of their own"),
        };
        Answer {
            result: ReplyResult::Done,
            text: format!("{} is free{keep}", release.hold),
            hold: Some(release.hold.clone()),
        }
    }

    fn free(&mut self, freed: Freed) {
        let hold = self.state.holds.remove(&freed.hold);
        self.state.wide.remove(&freed.hold);
        if let HoldOf::Piece(name) = &freed.of
            && let Some(piece) = self.state.pieces.get_mut(name.as_str())
        {
            piece.holds.remove(&freed.hold);
            // Looked past while it was held; it can be forgotten now.
            self.state.forget_from = self.state.forget_from.min(piece.born);
        }
        self.gates_changed(&freed.of);
        self.outcomes.push(Outcome::Freed(freed));
        if let Some(hold) = hold {
            self.index.remove(&hold);
            self.released(&hold);
        }
    }

    fn close(&mut self, request: &Request, close: &Close) -> Answer {
        let Some(role) = &request.role else {
            return Answer::refused(
                "an advisory is closed in a role: publish to request/close/<role>".into(),
            );
        };
        if let Some(text) = forbidden(&self.plant, role, RequestVerb::Close, None) {
            return Answer::refused(text);
        }
        let Some(advisory) = self.state.advisories.remove(&close.advisory) else {
            return Answer::refused(format!(
                "no advisory {} is open: see `open` for those that are",
                close.advisory
            ));
        };
        add_past(&mut self.state.advisories_past, advisory.id.clone());
        self.outcomes.push(Outcome::Closed(Closed {
            advisory: advisory.id.clone(),
            rule: advisory.rule.clone(),
            by: request.by.clone(),
            role: role.clone(),
            finding: close.finding.clone(),
            reason: request.reason.clone(),
        }));
        self.closed(&advisory.rule, &advisory.origin, advisory.id.as_str());
        Answer {
            result: ReplyResult::Done,
            text: format!("{} is closed", advisory.id),
            hold: None,
        }
    }

    fn place_hold(&mut self, request: &Request, asked: &PlaceHold) -> Answer {
        let (of, remark) = match self.hold_of(asked) {
            Ok(found) => found,
            Err(text) => return Answer::refused(text),
        };
        let class = asked.class.clone().unwrap_or_else(default_class);
        if !self
            .plant
            .class_names()
            .any(|known| known == class.as_str())
        {
            return Answer::refused(format!(
                "no class {class} is declared: leave it out, or name one of the plant description's"
            ));
        }
        let wish = Wish {
            rule: RuleName::from(format!("person:{}", request.by)),
            class,
            // Two requests are two reasons to hold, also of one id: each is freed by itself.
            origin: format!("{}@{}", request.input, self.state.seq),
            reason: request.reason.clone(),
        };
        let id = self.open_hold(of.clone(), wish);
        let mut text = format!("{id} is open{remark}");
        match of {
            HoldOf::Piece(name) => {
                if !self.announce(&name, &request.input) {
                    text.push_str("; no gate is left that could stop the piece");
                }
            }
            HoldOf::Station(_) | HoldOf::Stratum(..) => {
                self.cover_standing(&id, None, &request.input);
            }
        }
        Answer {
            result: ReplyResult::Done,
            text,
            hold: Some(id),
        }
    }

    /// What a request to hold means, and what to tell the asker of it.
    fn hold_of(&self, asked: &PlaceHold) -> Result<(HoldOf, String), String> {
        let scope_fits = |scope: Scope| asked.scope.is_none_or(|given| given == scope);
        if let Some(scope @ (Scope::Bracket | Scope::Lot)) = asked.scope {
            return Err(format!(
                "scope {scope}: not in this version; hold the piece, the stratum or the station"
            ));
        }
        match (&asked.piece, &asked.station, &asked.stratum) {
            (Some(piece), None, None) if scope_fits(Scope::Piece) => {
                if !self.state.pieces.contains_key(piece.as_str()) {
                    return Err(format!("no piece {piece} is known"));
                }
                Ok((HoldOf::Piece(piece.clone()), String::new()))
            }
            (None, Some(name), None) if scope_fits(Scope::Station) => {
                let plant = Arc::clone(&self.plant);
                let Some(station) = plant.station(name.as_str()) else {
                    return Err(format!("no station {name} is declared"));
                };
                match plant.gate_for(station) {
                    Some(gate) if gate.name == *name => Ok((HoldOf::Station(name.clone()), String::new())),
                    Some(gate) => Ok((
                        HoldOf::Station(gate.name.clone()),
                        format!(" at {}, the next gate: {name} has none", gate.name),
                    )),
                    None => Err(format!("no gate stands at {name} or after it: hold the pieces")),
                }
            }
            (None, None, Some((stratum, value))) if scope_fits(Scope::Stratum) => {
                let known = self.plant.stratum(stratum.as_str());
                if !known.is_some_and(|known| known.values.is_empty() || known.values.contains(value)) {
                    return Err(format!("no stratum {stratum} with the value {value} is declared"));
                }
                Ok((HoldOf::Stratum(stratum.clone(), value.clone()), String::new()))
            }
            _ => Err("`of` names nothing that fits its scope: one piece, one station, or one stratum and its value".into()),
        }
    }
}

/// Why the role may not do that, if it may not.
fn forbidden(
    plant: &Plant,
    role: &RoleName,
    verb: RequestVerb,
    class: Option<&ClassName>,
) -> Option<String> {
    let Some(known) = plant.role(role.as_str()) else {
        return Some(format!("no role {role} is declared"));
    };
    if known.may(verb, class) {
        return None;
    }
    let who = plant.roles.iter().filter(|role| role.may(verb, class));
    let who: Vec<&str> = who.map(|role| role.name.as_str()).collect();
    let who = match who.as_slice() {
        [] => "no role may".to_owned(),
        who => format!("{} may", who.join(" or ")),
    };
    let of = class.map_or_else(String::new, |class| format!(" holds of class {class}"));
    Some(format!("{role} may not {verb}{of}; {who}"))
}
