//! From a reading to a disposition: facts to the rules, their answers and the engine's own merged,
//! what cannot be taken back guarded, the piece answered.
//!
//! Order: a hold tops all; remelt, scrap and rework only alone and only where nothing speaks against
//! them, else they become a hold; then recheck, unevaluated, regrade, accept. All reasons are kept.

use crate::alarm::{Ends, Occurrence, Priority};
use crate::hold::{Hold, HoldOf, Wish};
use crate::input::{Fault, Measured, Reading, SourceKind};
use crate::judge::{Facts, Fallback, Judge, Opinion};
use crate::legality::legal;
use crate::line::Line;
use crate::names::{ClassName, GaugeName, HoldId, InputId, PieceName, RuleName, StratumName};
use crate::outcome::{Disposition, Judged, OpenHold, Outcome, Reason, RejectReason, Said, Told};
use crate::piece::{Judgement, Piece};
use crate::plant::{Characteristic, Gate, GateKind, Of, Plant, Station, Word};
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::{String, ToString};
use alloc::sync::Arc;
use alloc::vec::Vec;

/// A reading's own circumstances, the same for each of its values.
struct Occasion<'a> {
    reading: &'a Reading,
    station: &'a Station,
    late: bool,
}

impl<J: Judge> Line<J> {
    pub(crate) fn on_reading(&mut self, reading: &Reading) {
        let plant = Arc::clone(&self.plant);
        let station = Self::known(&plant, &reading.station);
        self.note_taken(Some(&reading.station), SourceKind::Reading, &reading.input);
        self.watch_clock(&reading.station, reading.at);
        let Some(name) = &reading.piece else {
            return self.on_nameless(reading, station);
        };
        let Some(late) = self.meet(name, station, &reading.strata, &reading.input) else {
            return;
        };
        let occasion = Occasion {
            reading,
            station,
            late,
        };
        for fault in &reading.faults {
            self.reject(reading.input.clone(), Some(name.clone()), fault.clone());
        }
        for measured in &reading.values {
            let characteristic = Self::measured(station, measured);
            match characteristic.of {
                Of::Piece => self.judge_value(name, &occasion, characteristic, measured),
                Of::Station => self.record_value(reading, characteristic, measured),
            }
        }
        // After the good values, which would end what is missing: that is for a later reading to do.
        let evidence = RuleName::from("engine:evidence");
        for fault in &reading.faults {
            self.miss(
                name,
                station,
                fault.characteristic.as_ref(),
                &evidence,
                fault.text.clone(),
            );
        }
        self.answer(name, station, &reading.input);
    }

    /// A reading that names no piece can only be about the station.
    fn on_nameless(&mut self, reading: &Reading, station: &Station) {
        for fault in &reading.faults {
            self.reject(reading.input.clone(), None, fault.clone());
        }
        for measured in &reading.values {
            let characteristic = Self::measured(station, measured);
            match characteristic.of {
                Of::Station => self.record_value(reading, characteristic, measured),
                Of::Piece => self.reject(
                    reading.input.clone(),
                    None,
                    Fault {
                        reason: RejectReason::Missing,
                        at: "/piece".into(),
                        text: format!(
                            "{} at {} belongs to a piece and the reading names none: send `piece`",
                            characteristic.name, station.name
                        ),
                        characteristic: None,
                    },
                ),
            }
        }
    }

    fn measured<'s>(station: &'s Station, measured: &Measured) -> &'s Characteristic {
        station
            .characteristic(measured.characteristic.as_str())
            .unwrap_or_else(|| {
                panic!(
                    "{} was read as measured at {} and is not",
                    measured.characteristic, station.name
                )
            })
    }

    fn record_value(
        &mut self,
        reading: &Reading,
        characteristic: &Characteristic,
        measured: &Measured,
    ) {
        let gauge = reading.gauge.as_ref().or(characteristic.gauge.as_ref());
        let judged = Judged {
            piece: None,
            station: reading.station.clone(),
            characteristic: characteristic.name.clone(),
            value: characteristic.scale.text(measured.count),
            had: measured.had,
            gauge: gauge.cloned(),
            gauge_healthy: self.believes(gauge),
            attempt: reading.attempt,
            said: Vec::new(),
        };
        self.outcomes.push(Outcome::Judged(judged));
    }

    /// The piece is at the station, or has been. Returns whether that comes late: it was reported
    /// further down already. An unknown name is rejected where pieces are not born.
    pub(crate) fn meet(
        &mut self,
        name: &PieceName,
        station: &Station,
        strata: &[(StratumName, String)],
        input: &InputId,
    ) -> Option<bool> {
        if !self.state.pieces.contains_key(name) {
            if station.condition != crate::plant::Condition::AsCast {
                let text = format!(
                    "{}: no piece {name} is known, and pieces are born at as-cast stations only: tell its birth, or check the name",
                    station.name
                );
                let fault = Fault {
                    reason: RejectReason::UnknownPiece,
                    at: "/piece".into(),
                    text,
                    characteristic: None,
                };
                self.reject(input.clone(), Some(name.clone()), fault);
                return None;
            }
            self.bear(name, station);
        }
        self.tell_strata(name, strata);
        let piece = self.piece_mut(name);
        let late = piece.place > station.place;
        if !late {
            piece.place = station.place;
            piece.seen = station.name.clone();
        }
        Some(late)
    }

    /// Strata are told once and remembered. A second, different word means that two pieces were mixed up.
    pub(crate) fn tell_strata(&mut self, name: &PieceName, strata: &[(StratumName, String)]) {
        let piece = self.piece_mut(name);
        for (stratum, value) in strata {
            match piece.strata.get(stratum) {
                None => {
                    piece.strata.insert(stratum.clone(), value.clone());
                }
                Some(known) if known == value => {}
                Some(known) => {
                    let text = format!("told as {stratum} {known} first and as {value} now");
                    piece.ambiguous.get_or_insert(text);
                }
            }
        }
    }

    fn believes(&self, gauge: Option<&GaugeName>) -> bool {
        gauge.is_none_or(|name| {
            self.plant.gauge(name.as_str()).is_some()
                && self
                    .state
                    .gauges
                    .get(name)
                    .is_none_or(crate::gauge::GaugeState::healthy)
        })
    }

    fn judge_value(
        &mut self,
        name: &PieceName,
        occasion: &Occasion<'_>,
        characteristic: &Characteristic,
        measured: &Measured,
    ) {
        let Occasion {
            reading,
            station,
            late,
        } = *occasion;
        let gauge = reading.gauge.as_ref().or(characteristic.gauge.as_ref());
        let gauge_healthy = self.believes(gauge);
        let opinions = {
            let piece = &self.state.pieces[name];
            self.judge.judge(&Facts {
                station,
                characteristic,
                value: measured.count,
                piece: name,
                strata: &piece.strata,
                gauge,
                gauge_healthy,
                attempt: reading.attempt,
                late,
            })
        };
        let (mut said, mut asks, mut wishes) = (Vec::new(), Vec::new(), Vec::new());
        let origin = format!("{}/{}", station.name, characteristic.name);
        for opinion in opinions {
            self.hear(
                name,
                opinion,
                gauge_healthy,
                &origin,
                &mut said,
                &mut asks,
                &mut wishes,
            );
        }
        if let Some(text) = outside(characteristic, measured.count)
            && !asks
                .iter()
                .any(|ask: &Judgement| ask.word.is_route() || ask.word == Word::Recheck)
        {
            let rule = RuleName::from("engine:tolerance");
            said.push(Said {
                rule: rule.clone(),
                word: Some(Word::Hold),
                text: text.clone(),
            });
            wishes.push(Wish {
                rule,
                class: default_class(),
                origin: origin.clone(),
                reason: text,
            });
        }
        self.outcomes.push(Outcome::Judged(Judged {
            piece: Some(name.clone()),
            station: station.name.clone(),
            characteristic: characteristic.name.clone(),
            value: characteristic.scale.text(measured.count),
            had: measured.had,
            gauge: gauge.cloned(),
            gauge_healthy,
            attempt: reading.attempt,
            said,
        }));
        let standing = &mut self
            .piece_mut(name)
            .measured(&station.name, &characteristic.name)
            .asks;
        // Said again it is the same wish, in its newest words.
        standing.retain(|old| {
            !asks
                .iter()
                .any(|new| new.rule == old.rule && new.word == old.word)
        });
        standing.extend(asks);
        if !gauge_healthy {
            let gauge = gauge.map_or("none", GaugeName::as_str);
            let text = match self.plant.gauge(gauge) {
                Some(_) => format!("gauge {gauge} is suspect: its reading is no evidence"),
                None => format!("gauge {gauge} is not declared: its reading is no evidence"),
            };
            let rule = RuleName::from("engine:gauge");
            self.miss(name, station, Some(&characteristic.name), &rule, text);
        }
        for wish in wishes {
            self.open_hold(HoldOf::Piece(name.clone()), wish);
        }
    }

    /// Sorts one rule's opinion into what was said, what is asked for, and what is to be held.
    #[expect(clippy::too_many_arguments, reason = "three sinks of one sorting step")]
    fn hear(
        &mut self,
        piece: &PieceName,
        opinion: Opinion,
        gauge_healthy: bool,
        origin: &str,
        said: &mut Vec<Said>,
        asks: &mut Vec<Judgement>,
        wishes: &mut Vec<Wish>,
    ) {
        let Opinion { rule, said: answer } = opinion;
        let verdicts = match answer {
            Ok(verdicts) => verdicts,
            Err(fault) => {
                let text = format!("{rule} failed: {}", fault.text);
                self.raise_fault(&rule, piece, text.clone());
                let held = fault.fallback == Fallback::Hold;
                let engine = RuleName::from("engine:fault");
                said.push(Said {
                    rule: engine.clone(),
                    word: held.then_some(Word::Hold),
                    text: text.clone(),
                });
                if held {
                    let origin = format!("{origin} {rule}");
                    wishes.push(Wish {
                        rule: engine,
                        class: default_class(),
                        origin,
                        reason: text,
                    });
                }
                return;
            }
        };
        for verdict in verdicts {
            said.push(Said {
                rule: rule.clone(),
                word: Some(verdict.word),
                text: verdict.text.clone(),
            });
            match verdict.word {
                Word::Hold => wishes.push(Wish {
                    rule: rule.clone(),
                    class: verdict.class.unwrap_or_else(default_class),
                    origin: origin.to_owned(),
                    reason: verdict.text,
                }),
                Word::Accept | Word::Unevaluated => {}
                Word::Recheck | Word::Rework | Word::Regrade | Word::Scrap | Word::Remelt => {
                    asks.push(Judgement {
                        word: verdict.word,
                        rule: rule.clone(),
                        text: verdict.text,
                        gauge_healthy,
                    });
                }
            }
        }
    }

    fn raise_fault(&mut self, rule: &RuleName, piece: &PieceName, text: String) {
        self.raise(Occurrence {
            id: format!("fault-{rule}"),
            priority: Priority::High,
            cause: "engine:fault",
            text,
            consequence: "its fallback decides in its place; the other rules are not touched",
            response: "repair the rule; it stays on meanwhile",
            of: ("rule", rule.as_str()),
            piece: Some(piece),
            owner: "automation",
            ends: Ends::Rulebook,
        });
    }

    /// Opens a hold, or says again what an open one of the same rule and origin says.
    pub(crate) fn open_hold(&mut self, of: HoldOf, wish: Wish) -> HoldId {
        let state = &mut self.state;
        let candidates = match &of {
            HoldOf::Piece(name) => state.pieces.get(name).map(|piece| &piece.holds),
            HoldOf::Station(_) | HoldOf::Stratum(..) => Some(&state.wide),
        };
        let same = |id: &&HoldId| {
            let hold = &state.holds[*id];
            hold.of == of
                && hold.rule == wish.rule
                && hold.origin == wish.origin
                // Another class is released by others.
                && hold.class == wish.class
        };
        let existing = candidates.and_then(|ids| ids.iter().find(same)).cloned();
        if let Some(id) = existing {
            let hold = state.holds.get_mut(&id).expect("found a line above");
            if hold.reason != wish.reason {
                hold.reason = wish.reason;
                hold.seq = state.seq;
                // Who agreed to the release had not seen this.
                hold.asked_by = None;
                let (of, said) = (hold.of.clone(), Outcome::Hold(hold.clone()));
                self.outcomes.push(said);
                self.gates_changed(&of);
            }
            return id;
        }
        state.holds_opened += 1;
        let hold = Hold {
            id: HoldId::from(format!("h-{:06}", state.holds_opened)),
            seq: state.seq,
            class: wish.class,
            of,
            rule: wish.rule,
            origin: wish.origin,
            reason: wish.reason,
            since: state.now,
            ready: false,
            asked_by: None,
        };
        match &hold.of {
            HoldOf::Piece(name) => {
                if let Some(piece) = state.pieces.get_mut(name) {
                    piece.holds.insert(hold.id.clone());
                }
            }
            HoldOf::Station(_) | HoldOf::Stratum(..) => {
                state.wide.insert(hold.id.clone());
            }
        }
        let id = hold.id.clone();
        self.outcomes.push(Outcome::Hold(hold.clone()));
        self.gates_changed(&hold.of);
        self.state.holds.insert(id.clone(), hold);
        id
    }

    /// The gates that a wider hold concerns say something new.
    pub(crate) fn gates_changed(&mut self, of: &HoldOf) {
        let seq = self.state.seq;
        for (gate, changed) in &mut self.state.gates {
            match of {
                HoldOf::Station(station) if station == gate => *changed = seq,
                HoldOf::Stratum(..) => *changed = seq,
                HoldOf::Station(_) | HoldOf::Piece(_) => {}
            }
        }
    }

    /// Answers for a piece that the station measured, or that stands there.
    pub(crate) fn answer(&mut self, name: &PieceName, station: &Station, input: &InputId) {
        let late = self.state.pieces[name].place > station.place;
        if !late && station.gate.is_some() {
            self.cover(name, station);
        }
        let plant = Arc::clone(&self.plant);
        let own = if late {
            None
        } else {
            station.gate.as_ref().map(|gate| (station, gate))
        };
        let act_at = own.or_else(|| next_gate(&plant, &self.state.pieces[name]));
        let word = self.settle(name, act_at);
        self.tell(name, station, act_at, word, late, input);
        if let (Word::Accept, Some((_, gate))) = (word, own) {
            let piece = self.piece_mut(name);
            piece.passed = piece.passed.max(Some(gate.place));
        }
    }

    /// Says that a piece's disposition changed, if it did and a gate is left to act on it.
    pub(crate) fn announce(&mut self, name: &PieceName, input: &InputId) {
        let plant = Arc::clone(&self.plant);
        let act_at = next_gate(&plant, &self.state.pieces[name]);
        let word = self.settle(name, act_at);
        let piece = &self.state.pieces[name];
        if piece.told.is_none() || piece.word == Some(word) {
            return;
        }
        match (act_at, plant.station(piece.seen.as_str())) {
            (Some(_), Some(seen)) => self.tell(name, seen, act_at, word, false, input),
            _ => self.piece_mut(name).word = Some(word),
        }
    }

    fn tell(
        &mut self,
        name: &PieceName,
        station: &Station,
        act_at: Option<(&Station, &Gate)>,
        word: Word,
        late: bool,
        input: &InputId,
    ) {
        let piece = &self.state.pieces[name];
        let disposition = Disposition {
            piece: name.clone(),
            station: station.name.clone(),
            word,
            route: self.plant.lanes.get(&word).cloned(),
            act_at: act_at.map(|(station, _)| station.name.clone()),
            act_within: act_at.map(|(_, gate)| gate.within),
            late,
            reasons: self.reasons(piece, word),
            open: piece
                .holds
                .iter()
                .map(|id| OpenHold {
                    id: id.clone(),
                    seq: self.state.holds[id].seq,
                })
                .collect(),
            input: input.clone(),
            rulebook: self.state.rulebook.clone().unwrap_or_default(),
            again: false,
        };
        let told = Told {
            seq: self.state.seq,
            index: u32::try_from(self.outcomes.len() + 1).expect("a record has few outcomes"),
        };
        let act_at = disposition.act_at.clone();
        self.outcomes.push(Outcome::Disposition(disposition));
        let piece = self.piece_mut(name);
        piece.told = Some(told);
        piece.word = Some(word);
        piece.act_at = act_at;
    }

    fn reasons(&self, piece: &Piece, word: Word) -> Vec<Reason> {
        let asked = |word: Word| {
            piece
                .points
                .iter()
                .flat_map(|point| &point.asks)
                .filter(move |ask| ask.word == word)
                .map(|ask| Reason {
                    rule: ask.rule.clone(),
                    text: ask.text.clone(),
                })
        };
        match word {
            Word::Accept => Vec::new(),
            Word::Hold => piece
                .holds
                .iter()
                .map(|id| &self.state.holds[id])
                .map(|hold| Reason {
                    rule: hold.rule.clone(),
                    text: hold.reason.clone(),
                })
                .collect(),
            Word::Unevaluated if piece.gaps.is_empty() => Vec::from([Reason {
                rule: "engine:evidence".into(),
                text: if piece.points.is_empty() {
                    "no usable reading yet".into()
                } else {
                    "the final gate wants complete evidence, which this version cannot show".into()
                },
            }]),
            Word::Unevaluated => piece
                .gaps
                .iter()
                .map(|gap| Reason {
                    rule: gap.rule.clone(),
                    text: gap.text.clone(),
                })
                .collect(),
            Word::Recheck | Word::Rework | Word::Regrade | Word::Scrap | Word::Remelt => {
                asked(word).collect()
            }
        }
    }

    /// A piece that stands at a held gate is held itself: freeing the gate does not free the piece.
    fn cover(&mut self, name: &PieceName, station: &Station) {
        let strata = &self.state.pieces[name].strata;
        let wider: Vec<Wish> = self
            .state
            .wide_holds()
            .filter(|hold| match &hold.of {
                HoldOf::Piece(_) => false,
                HoldOf::Station(held) => *held == station.name,
                HoldOf::Stratum(stratum, value) => strata.get(stratum) == Some(value),
            })
            .map(|hold| Wish {
                rule: hold.rule.clone(),
                class: hold.class.clone(),
                origin: hold.id.to_string(),
                reason: format!("came while {} was open: {}", hold.id, hold.reason),
            })
            .collect();
        for wish in wider {
            self.open_hold(HoldOf::Piece(name.clone()), wish);
        }
    }

    /// The piece's effective disposition. Whatever cannot be taken back and is not beyond doubt, or is
    /// not legal where it would be done, becomes a hold here.
    fn settle(&mut self, name: &PieceName, act_at: Option<(&Station, &Gate)>) -> Word {
        if let Some((word, wish)) = self.objection(name, act_at) {
            for point in &mut self.piece_mut(name).points {
                point.asks.retain(|ask| {
                    if word.is_irreversible() {
                        !ask.word.is_irreversible()
                    } else {
                        ask.word != word
                    }
                });
            }
            self.open_hold(HoldOf::Piece(name.clone()), wish);
        }
        let piece = &self.state.pieces[name];
        let asks = || {
            piece
                .points
                .iter()
                .flat_map(|point| &point.asks)
                .map(|ask| ask.word)
        };
        if !piece.holds.is_empty() {
            Word::Hold
        } else if let Some(word) = asks().find(|word| word.is_irreversible()) {
            word
        } else if asks().any(|word| word == Word::Recheck) {
            Word::Recheck
        } else if !piece.gaps.is_empty() || piece.points.is_empty() {
            Word::Unevaluated
        } else if asks().any(|word| word == Word::Regrade) {
            Word::Regrade
        } else if act_at.is_some_and(|(_, gate)| gate.kind == GateKind::Final) {
            // Positive release: this gate opens on complete evidence only, and that part does not exist yet.
            Word::Unevaluated
        } else {
            Word::Accept
        }
    }

    /// What speaks against a route that rules ask for: the route, and the hold it becomes.
    fn objection(
        &mut self,
        name: &PieceName,
        act_at: Option<(&Station, &Gate)>,
    ) -> Option<(Word, Wish)> {
        let piece = &self.state.pieces[name];
        let asks: Vec<Judgement> = piece
            .points
            .iter()
            .flat_map(|point| &point.asks)
            .cloned()
            .collect();
        let first = asks
            .iter()
            .find(|ask| ask.word.is_irreversible())
            .or_else(|| asks.iter().find(|ask| ask.word.is_route()))?;
        let word = first.word;
        let becomes = |rule: RuleName, why: String| {
            let reason = format!(
                "{} asked for {word} ({}), but {why}",
                first.rule, first.text
            );
            Some((
                word,
                Wish {
                    rule,
                    class: default_class(),
                    origin: first.rule.to_string(),
                    reason,
                },
            ))
        };
        let illegal = match act_at {
            None => Some("no gate is left where that could be done".to_owned()),
            Some((station, _)) if !legal(&self.plant, station, word) => Some(format!(
                "that is not legal for {} pieces, at {}",
                station.condition, station.name
            )),
            Some(_) => None,
        };
        if let Some(why) = illegal {
            let (rule, text) = (
                first.rule.clone(),
                format!("{} asked for {word} of {name}: {why}", first.rule),
            );
            let objection = becomes("engine:legality".into(), why);
            self.raise_illegal(&rule, name, text);
            return objection;
        }
        if !word.is_irreversible() {
            return None;
        }
        if !piece.holds.is_empty() {
            return becomes(first.rule.clone(), "the piece is held".into());
        }
        if asks
            .iter()
            .any(|ask| ask.word == word && !ask.gauge_healthy)
        {
            return becomes("engine:gauge".into(), "the gauge is in doubt".into());
        }
        if let Some(why) = &piece.ambiguous {
            return becomes(
                "engine:identity".into(),
                format!("the piece's identity is ambiguous: {why}"),
            );
        }
        if let Some(other) = asks.iter().find(|ask| ask.word != word) {
            return becomes(
                first.rule.clone(),
                format!("{} asks for {} ({})", other.rule, other.word, other.text),
            );
        }
        if let Some(gap) = piece.gaps.first() {
            return becomes(
                first.rule.clone(),
                format!("evidence is missing: {}", gap.text),
            );
        }
        None
    }

    fn raise_illegal(&mut self, rule: &RuleName, piece: &PieceName, text: String) {
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("legality-{rule}"),
            priority: Priority::High,
            cause: "engine:legality",
            text,
            consequence: "the piece is held instead",
            response: "let the rule ask for what is legal where it acts",
            of: ("rule", rule.as_str()),
            piece: Some(piece),
            owner: "automation",
            ends,
        });
    }
}

/// The class of holds that name none.
pub(crate) fn default_class() -> ClassName {
    ClassName::from(Plant::CLASS_DEFAULT)
}

/// Why a value is outside the tolerance, if it is; at a limit is inside.
fn outside(characteristic: &Characteristic, value: i64) -> Option<String> {
    let Characteristic {
        name,
        scale,
        lower,
        upper,
        ..
    } = characteristic;
    match (lower, upper) {
        (Some(lower), _) if value < *lower => Some(format!(
            "{name} {} is below {}",
            scale.text(value),
            scale.text(*lower)
        )),
        (_, Some(upper)) if value > *upper => Some(format!(
            "{name} {} is above {}",
            scale.text(value),
            scale.text(*upper)
        )),
        _ => None,
    }
}

/// The next gate that can still stop the piece, from where it was last seen.
fn next_gate<'p>(plant: &'p Plant, piece: &Piece) -> Option<(&'p Station, &'p Gate)> {
    plant.gate_where(|station, gate| {
        // A gate down the belt from its station stands at the door of what follows: a piece reported from
        // behind that door has gone through it.
        let ahead = gate.place > piece.place
            || (gate.place == piece.place && station.place == gate.place);
        ahead && piece.passed.is_none_or(|passed| gate.place > passed)
    })
}
