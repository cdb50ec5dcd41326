//! What people ask: to hold, and to free. Anything else is refused by name until its part exists.

use crate::codes;
use crate::contract::RequestVerb;
use crate::hold::{Hold, HoldOf, Origin, Wish};
use crate::input::{Close, PlaceHold, Release, Request, RequestKind, Show, SourceKind};
use crate::judge::Judge;
use crate::line::Line;
use crate::names::{ClassName, HoldId, PieceId, RoleName, StationName};
use crate::outcome::{Closed, Freed, Outcome, Reply, ReplyResult};
use crate::plant::{Plant, Requests, Scope};
use crate::settling::default_class;
use crate::speaker::{Duty, Speaker};
use crate::words::Words;
use alloc::sync::Arc;
use alloc::vec::Vec;

/// What came of a request, before it is a reply.
pub(crate) struct Answer {
    pub result: ReplyResult,
    pub text: Words,
    pub hold: Option<HoldId>,
    /// What is to be quoted where it is asked again; of a hold its own.
    pub seen: Option<u64>,
    /// Holds that were asked for.
    pub shown: Vec<Hold>,
}

/// So many holds of a piece are shown.
const SHOWN_MAX: usize = 20;

impl Answer {
    pub(crate) fn refused(text: Words) -> Self {
        Self::of(ReplyResult::Refused, text)
    }

    pub(crate) fn of(result: ReplyResult, text: Words) -> Self {
        Self {
            result,
            text,
            hold: None,
            seen: None,
            shown: Vec::new(),
        }
    }
}

impl<J: Judge> Line<J> {
    pub(crate) fn on_request(&mut self, request: &Request) {
        self.note_taken(None, SourceKind::Request, &request.input);
        let answer = match (&request.kind, unheard(&self.plant, request)) {
            (RequestKind::Refused { text }, _) => Answer::refused(text.clone()),
            (_, Some(text)) => Answer::refused(text),
            (RequestKind::Release(release), None) => self.release(request, release),
            (RequestKind::PlaceHold(place_hold), None) => self.place_hold(request, place_hold),
            (RequestKind::Close(close), None) => self.close(request, close),
            (RequestKind::Show(shown), None) => self.show(shown),
            (RequestKind::Command(command), None) => self.command(request, command),
            (RequestKind::Adopt(adopt), None) => self.adopt(request, adopt),
        };
        let seen = answer
            .hold
            .as_ref()
            .and_then(|id| self.state.holds.get(id))
            .map(|hold| hold.seq)
            .or(answer.seen);
        let reply = Outcome::Reply(Reply {
            request: request.input.clone(),
            verb: request.verb.clone(),
            by: request.by.clone(),
            result: answer.result,
            text: answer.text,
            hold: answer.hold,
            seen,
            shown: answer.shown,
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
                (ReplyResult::Refused, codes::opened_and_free(id.as_str()))
            }
            (ReplyResult::Done, Some(RequestVerb::Close), _)
                if closed.is_some_and(|id| self.state.advisories.get(id.as_str()).is_some()) =>
            {
                (ReplyResult::Refused, codes::closed_and_open_again())
            }
            (ReplyResult::Done, Some(RequestVerb::Show), _)
                if reply.shown.len() == 1 && self.state.holds.get(&reply.shown[0].id).is_none() =>
            {
                let id = reply.shown[0].id.as_str();
                (ReplyResult::Refused, codes::hold_not_open(id))
            }
            (ReplyResult::Done, Some(RequestVerb::Command), _)
                if !self.stands_as_told(outcomes) =>
            {
                (ReplyResult::Refused, codes::stance_changed_since())
            }
            (ReplyResult::Waiting, _, Some(id)) => match open {
                None => (ReplyResult::Done, codes::hold_free(id.as_str())),
                Some(hold) if hold.asked_by.as_ref() == Some(&reply.by) => {
                    (ReplyResult::Waiting, reply.text.clone())
                }
                Some(hold) => (
                    ReplyResult::Refused,
                    codes::says_more_since_request(hold.id.as_str()),
                ),
            },
            (ReplyResult::Refused, _, Some(id)) if open.is_none() => (
                ReplyResult::Refused,
                codes::free_and_was_refused(id.as_str(), &reply.text),
            ),
            (result, ..) => (result, reply.text.clone()),
        };
        let shown = reply.shown.iter();
        let still_open = shown.filter_map(|hold| Some(self.said(self.state.holds.get(&hold.id)?)));
        Reply {
            result,
            text,
            hold: reply.hold.clone(),
            seen: match &reply.hold {
                Some(_) => open.map(|hold| hold.seq),
                None => reply.seen,
            },
            shown: still_open.collect(),
            ..reply.clone()
        }
    }

    fn release(&mut self, request: &Request, release: &Release) -> Answer {
        let Some(role) = &request.role else {
            return Answer::refused(codes::release_needs_role());
        };
        let Some(hold) = self.state.holds.get(&release.hold) else {
            return Answer::refused(codes::hold_not_open(release.hold.as_str()));
        };
        if let Some(text) = forbidden(&self.plant, role, RequestVerb::Release, Some(&hold.class)) {
            return Answer {
                hold: Some(release.hold.clone()),
                ..Answer::refused(text)
            };
        }
        if hold.rule == Duty::History.into() {
            return Answer {
                hold: Some(release.hold.clone()),
                ..Answer::refused(codes::adopt_instead(hold.id.as_str()))
            };
        }
        if hold.seq != release.seen {
            let text = codes::hold_says_more(hold.id.as_str(), release.seen, hold.seq);
            return Answer {
                hold: Some(release.hold.clone()),
                ..Answer::refused(text)
            };
        }
        let mut second = None;
        if self.plant.second_person(&hold.class) {
            match &hold.asked_by {
                // Where who asks is proven, an older claim is nobody.
                Some(first)
                    if *first != request.by
                        && (hold.asked_proven || self.plant.line.requests == Requests::Claimed) =>
                {
                    second = Some(request.by.clone());
                }
                _ => {
                    let text = codes::second_person_needed(hold.class.as_str());
                    let proven = request.proven;
                    self.state.holds.asked(&release.hold, &request.by, proven);
                    return Answer {
                        hold: Some(release.hold.clone()),
                        ..Answer::of(ReplyResult::Waiting, text)
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
        let said = self.said(hold);
        self.free(Freed {
            hold: said.id,
            of: said.of,
            by,
            second,
            role: role.clone(),
            reason: request.reason.clone(),
        });
        // A freed piece has another disposition; a freed gate frees no piece.
        if let HoldOf::Piece(id) = of {
            self.announce(id, &request.input);
        }
        let own = self
            .state
            .holds
            .iter()
            .filter(|hold| hold.origin == Origin::Wider(release.hold.clone()))
            .count();
        let id = release.hold.as_str();
        let text = match own {
            0 => codes::hold_free(id),
            1 => codes::hold_free_but_one(id),
            many => codes::hold_free_but_many(id, many),
        };
        Answer {
            hold: Some(release.hold.clone()),
            ..Answer::of(ReplyResult::Done, text)
        }
    }

    pub(crate) fn free(&mut self, freed: Freed) {
        let hold = self.state.holds.free(&freed.hold);
        self.outcomes.push(Outcome::Freed(freed));
        let Some(hold) = hold else { return };
        if let HoldOf::Piece(id) = hold.of {
            // Looked past while it was held; it can be forgotten now.
            self.state.pieces.look_again_at(id);
        }
        self.state.gates.change(&hold.of, self.state.seq);
        self.released(&hold);
    }

    fn close(&mut self, request: &Request, close: &Close) -> Answer {
        let Some(role) = &request.role else {
            return Answer::refused(codes::close_needs_role());
        };
        if let Some(text) = forbidden(&self.plant, role, RequestVerb::Close, None) {
            return Answer::refused(text);
        }
        let Some(advisory) = self.state.advisories.close(&close.advisory) else {
            return Answer::refused(codes::advisory_not_open(close.advisory.as_str()));
        };
        self.outcomes.push(Outcome::Closed(Closed {
            advisory: advisory.id.clone(),
            rule: advisory.rule.clone(),
            by: request.by.clone(),
            role: role.clone(),
            finding: close.finding.clone(),
            reason: request.reason.clone(),
        }));
        self.closed(&advisory.rule, &advisory.origin, advisory.id.as_str());
        let text = codes::advisory_closed(advisory.id.as_str());
        Answer::of(ReplyResult::Done, text)
    }

    fn show(&self, asked: &Show) -> Answer {
        let holds = &self.state.holds;
        let (text, shown) = match asked {
            Show::Hold(id) => match holds.get(id) {
                Some(hold) => (
                    codes::hold_opened(id.as_str()),
                    Vec::from([self.said(hold)]),
                ),
                None => return Answer::refused(codes::hold_not_open(id.as_str())),
            },
            Show::Piece(name) => {
                let Some(id) = self.state.pieces.id(name.as_str()) else {
                    return Answer::refused(codes::piece_not_known(name.as_str()));
                };
                let open = holds.of_piece(id).count();
                let text = match self.state.pieces[id].word {
                    Some(word) => codes::piece_is(name.as_str(), word.as_str(), open),
                    None => codes::piece_untold(name.as_str(), open),
                };
                let shown = holds.of_piece(id).take(SHOWN_MAX);
                (text, shown.map(|hold| self.said(hold)).collect())
            }
        };
        Answer {
            shown,
            ..Answer::of(ReplyResult::Done, text)
        }
    }

    fn place_hold(&mut self, request: &Request, asked: &PlaceHold) -> Answer {
        let (of, instead_of) = match self.hold_of(asked) {
            Ok(found) => found,
            Err(text) => return Answer::refused(text),
        };
        let class = asked.class.clone().unwrap_or_else(default_class);
        if !self
            .plant
            .class_names()
            .any(|known| known == class.as_str())
        {
            return Answer::refused(codes::class_undeclared(class.as_str()));
        }
        let wish = Wish {
            rule: Speaker::Person(request.by.clone()),
            class,
            // Two requests are two reasons to hold, also of one id: each is freed by itself.
            origin: Origin::Request(request.input.clone(), self.state.seq),
            reason: Words::Own(request.reason.clone()),
        };
        let id = self.open_hold(of.clone(), wish).id().clone();
        let stops = match &of {
            HoldOf::Piece(id) => self.announce(*id, &request.input),
            HoldOf::Station(_) | HoldOf::Stratum(..) => {
                self.cover_standing(&id, None, &request.input);
                true
            }
        };
        let text = match (&of, instead_of) {
            _ if !stops => codes::hold_opened_too_late(id.as_str()),
            (HoldOf::Station(gate), Some(station)) => {
                codes::hold_opened_at(id.as_str(), gate.as_str(), station.as_str())
            }
            _ => codes::hold_opened(id.as_str()),
        };
        Answer {
            hold: Some(id),
            ..Answer::of(ReplyResult::Done, text)
        }
    }

    /// What a request to hold means; and the station it names, where that has no gate and the next one is held.
    fn hold_of(&self, asked: &PlaceHold) -> Result<(HoldOf<PieceId>, Option<StationName>), Words> {
        let scope_fits = |scope: Scope| asked.scope.is_none_or(|given| given == scope);
        if let Some(scope @ (Scope::Bracket | Scope::Lot)) = asked.scope {
            return Err(codes::scope_not_here(scope.as_str()));
        }
        match (&asked.piece, &asked.station, &asked.stratum) {
            (Some(piece), None, None) if scope_fits(Scope::Piece) => {
                let known = self.state.pieces.id(piece.as_str());
                let id = known.ok_or_else(|| codes::piece_not_known(piece.as_str()))?;
                Ok((HoldOf::Piece(id), None))
            }
            (None, Some(name), None) if scope_fits(Scope::Station) => {
                let plant = Arc::clone(&self.plant);
                let Some(station) = plant.station(name.as_str()) else {
                    return Err(codes::station_undeclared(name.as_str()));
                };
                match plant.gate_for(station) {
                    Some(gate) => {
                        let instead_of = (gate.name != *name).then(|| name.clone());
                        Ok((HoldOf::Station(gate.name.clone()), instead_of))
                    }
                    None => Err(codes::no_gate_after(name.as_str())),
                }
            }
            (None, None, Some((stratum, value))) if scope_fits(Scope::Stratum) => {
                let known = self.plant.stratum(stratum.as_str());
                if !known
                    .is_some_and(|known| known.values.is_empty() || known.values.contains(value))
                {
                    return Err(codes::stratum_undeclared(stratum.as_str(), value));
                }
                Ok((HoldOf::Stratum(stratum.clone(), value.clone()), None))
            }
            _ => Err(codes::of_fits_no_scope()),
        }
    }
}

/// Why nobody is heard who asks like that, if so: who asks is not said as the line wants it, or does not act in that role.
fn unheard(plant: &Plant, request: &Request) -> Option<Words> {
    if !request.proven {
        let wanted = plant.line.requests == Requests::Proven;
        return wanted.then(codes::request_unproven);
    }
    let Some(person) = plant.person(&request.by) else {
        return Some(codes::person_undeclared(&*request.by));
    };
    let role = request.role.as_ref()?;
    (!person.roles.contains(role)).then(|| codes::person_not_in_role(&*request.by, role.as_str()))
}

/// The role in which somebody asks for what is about no hold, if it may.
pub(crate) fn in_role<'r>(
    plant: &Plant,
    request: &'r Request,
    verb: RequestVerb,
) -> Result<&'r RoleName, Words> {
    let role = request.role.as_ref();
    let role = role.ok_or_else(|| codes::role_needed(verb.as_str()))?;
    match forbidden(plant, role, verb, None) {
        Some(text) => Err(text),
        None => Ok(role),
    }
}

/// Why the role may not do that, if it may not.
fn forbidden(
    plant: &Plant,
    role: &RoleName,
    verb: RequestVerb,
    class: Option<&ClassName>,
) -> Option<Words> {
    let Some(known) = plant.role(role.as_str()) else {
        return Some(codes::role_undeclared(role.as_str()));
    };
    if known.may(verb, class) {
        return None;
    }
    let who = plant.roles.iter().filter(|role| role.may(verb, class));
    let who: Vec<&str> = who.map(|role| role.name.as_str()).collect();
    let who = if who.is_empty() {
        codes::no_role_may()
    } else {
        codes::roles_may(who)
    };
    Some(match class {
        Some(class) => {
            codes::role_may_not_of_class(role.as_str(), verb.as_str(), class.as_str(), who)
        }
        None => codes::role_may_not(role.as_str(), verb.as_str(), who),
    })
}
