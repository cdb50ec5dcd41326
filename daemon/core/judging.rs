//! From a reading to what is asked of a piece: facts to the rules, their answers and the engine's own
//! tolerance sorted into holds, asks and gaps. What follows from them is settled next door.

use crate::advisory::Advisory;
use crate::alarm::{Ends, Occurrence, Owner, Priority};
use crate::codes;
use crate::evidence::{Ask, Gap, Limits, Says, Usable};
use crate::hold::{HoldOf, Origin, Wish};
use crate::holds::Opened;
use crate::input::{Event, Fault, Measured, Reading, SourceKind};
use crate::judge::{Asks, DeclaredAlarm, Facts, Fallback, Judge, Opinion, Reach, Verb, Verdict};
use crate::line::{Line, topic_level};
use crate::names::{
    AdvisoryId, GaugeName, InputId, PieceId, PieceName, ProductName, RoleName, RuleName,
    StratumName,
};
use crate::order::SourceCount;
use crate::outcome::{Judged, Outcome, RejectReason, Said};
use crate::plant::{Aims, Characteristic, Condition, Of, Station, Word};
use crate::plausible::{Sifted, sift};
use crate::settling::{Came, default_class, out_of_tolerance};
use crate::speaker::Duty;
use crate::watches::Sample;
use crate::words::Words;
use alloc::format;
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec;
use alloc::vec::Vec;
use core::mem;

/// A reading's own circumstances, the same for each of its values.
struct Occasion<'a> {
    reading: &'a Reading,
    station: &'a Station,
    late: bool,
    lap: u32,
}

/// What a message tells of the piece that it names, beside where it is.
pub(crate) struct Telling<'a> {
    strata: &'a [(StratumName, String)],
    product: Option<&'a ProductName>,
    lap: Option<u32>,
    count: Option<&'a SourceCount>,
    input: &'a InputId,
}

impl<'a> From<&'a Reading> for Telling<'a> {
    fn from(reading: &'a Reading) -> Self {
        Self {
            strata: &reading.strata,
            product: reading.product.as_ref(),
            lap: reading.lap,
            count: None,
            input: &reading.input,
        }
    }
}

impl<'a> From<&'a Event> for Telling<'a> {
    fn from(event: &'a Event) -> Self {
        Self {
            strata: &event.strata,
            product: event.product.as_ref(),
            lap: event.lap,
            count: event.count.as_ref(),
            input: &event.input,
        }
    }
}

/// What the rules said of one value, sorted.
#[derive(Default)]
struct Heard {
    said: Vec<Said>,
    asks: Vec<(Word, RuleName, String)>,
    wishes: Vec<Wish>,
    /// What is to be held beyond the piece.
    wider: Vec<(HoldOf<PieceId>, Wish)>,
    advice: Vec<Advice>,
    calls: Vec<Call>,
}

impl Heard {
    /// Whether a rule has a way for the piece: then tolerance has nothing to add but its reason.
    fn routed(&self) -> bool {
        self.asks
            .iter()
            .any(|(word, ..)| word.is_route() || *word == Word::Recheck)
    }

    /// The engine's own word: outside is held.
    fn hold_by_tolerance(&mut self, text: Words, origin: Origin) {
        let wish = out_of_tolerance(origin, text);
        self.said.push(Said {
            rule: wish.rule.clone(),
            word: Some(Verb::Hold),
            text: wish.reason.clone(),
        });
        self.wishes.push(wish);
    }
}

/// What a rule wants people to plan.
struct Advice {
    rule: RuleName,
    role: RoleName,
    text: String,
    apart: Apart,
}

/// What a rule calls people for.
struct Call {
    rule: RuleName,
    alarm: Arc<DeclaredAlarm>,
    text: String,
    apart: Apart,
}

/// What a rule keeps apart what it says beyond the piece by.
struct Apart {
    /// The piece's stratum, of the kind the rule is kept apart by.
    stratum: Option<(StratumName, String)>,
    /// Its product, where what the value is held against hangs on that.
    product: Option<ProductName>,
}

impl Apart {
    /// Kinds and names, in order.
    fn names(&self) -> Vec<(&str, &str)> {
        let stratum = self.stratum.iter();
        let stratum = stratum.map(|(per, value)| (per.as_str(), value.as_str()));
        let product = self.product.iter();
        stratum
            .chain(product.map(|product| ("product", product.as_str())))
            .collect()
    }

    fn origin(self, station: &Station, characteristic: &Characteristic) -> Origin {
        Origin::values(&station.name, &characteristic.name, self.stratum).of_product(self.product)
    }
}

impl<J: Judge> Line<J> {
    pub(crate) fn on_reading(&mut self, reading: &Reading) {
        let plant = Arc::clone(&self.plant);
        let station = Self::known(&plant, &reading.station);
        self.note_taken(Some(&reading.station), SourceKind::Reading, &reading.input);
        self.watch_clock(&reading.station, reading.at, reading.at_again);
        let Some(name) = &reading.piece else {
            return self.on_nameless(reading, station);
        };
        let met = self.meet(name, station, station.place, reading.into());
        let Some((id, late)) = met else {
            return;
        };
        let occasion = Occasion {
            reading,
            station,
            late,
            lap: reading.lap.unwrap_or(self.state.pieces[id].at.lap()),
        };
        let product = self.state.pieces[id].product.clone();
        let Sifted { values, faults } = sift(reading, station, product.as_ref());
        for fault in &faults {
            self.reject(reading.input.clone(), Some(name.clone()), fault.clone());
        }
        for (characteristic, measured) in values {
            match characteristic.of {
                Of::Piece => self.judge_value(id, &occasion, characteristic, measured),
                Of::Station => self.record_value(reading, characteristic, measured),
            }
        }
        // After the good values, which would end what is missing: that is for a later reading to do.
        for fault in faults {
            self.miss(
                id,
                station,
                Gap {
                    station: station.name.clone(),
                    characteristic: fault.characteristic,
                    lap: occasion.lap,
                    attempt: reading.attempt,
                    anywhere: false,
                    duty: Duty::Evidence,
                    text: fault.text,
                },
            );
        }
        self.answer(id, station, Came::ToStation, late, &reading.input);
    }

    /// A reading that names no piece can only be about the station.
    fn on_nameless(&mut self, reading: &Reading, station: &Station) {
        let Sifted { values, faults } = sift(reading, station, None);
        for fault in faults {
            self.reject(reading.input.clone(), None, fault);
        }
        for (characteristic, measured) in values {
            match characteristic.of {
                Of::Station => self.record_value(reading, characteristic, measured),
                Of::Piece => self.reject(
                    reading.input.clone(),
                    None,
                    Fault {
                        reason: RejectReason::Missing,
                        at: "/piece".into(),
                        text: codes::piece_missing(
                            characteristic.name.as_str(),
                            station.name.as_str(),
                        ),
                        characteristic: None,
                    },
                ),
            }
        }
    }

    fn record_value(
        &mut self,
        reading: &Reading,
        characteristic: &Characteristic,
        measured: &Measured,
    ) {
        let judged = self.judged(None, reading, characteristic, measured);
        self.outcomes.push(Outcome::Judged(judged));
    }

    /// A value as it is recorded, before anybody has said anything of it.
    fn judged(
        &self,
        piece: Option<(PieceId, u32)>,
        reading: &Reading,
        characteristic: &Characteristic,
        measured: &Measured,
    ) -> Judged {
        let gauge = reading.gauge.as_ref().or(characteristic.gauge.as_ref());
        let known = piece.map(|(id, _)| &self.state.pieces[id]);
        Judged {
            piece: known.map(|known| known.name().clone()),
            product: known.and_then(|known| known.product.clone()),
            station: reading.station.clone(),
            characteristic: characteristic.name.clone(),
            value: characteristic.scale.text(measured.count),
            had: measured.had,
            gauge: gauge.cloned(),
            gauge_healthy: self.believes(characteristic, gauge),
            lap: piece.map_or(1, |(_, lap)| lap),
            attempt: reading.attempt,
            watched: Vec::new(),
            said: Vec::new(),
        }
    }

    /// The piece is at the station, at that place on the belt, or has been. Returns whether that comes late: it was
    /// reported further down already. An unknown name is rejected where pieces are not born.
    pub(crate) fn meet(
        &mut self,
        name: &PieceName,
        station: &Station,
        place: i64,
        telling: Telling<'_>,
    ) -> Option<(PieceId, bool)> {
        let id = match self.state.pieces.id(name.as_str()) {
            Some(id) => id,
            None if station.condition == Condition::AsCast => {
                self.bear(name, station, telling.count)
            }
            None => {
                let text = codes::piece_unknown(station.name.as_str(), name.as_str());
                let fault = Fault {
                    reason: RejectReason::UnknownPiece,
                    at: "/piece".into(),
                    text,
                    characteristic: None,
                };
                self.reject(telling.input.clone(), Some(name.clone()), fault);
                self.hear_of(name, station);
                return None;
            }
        };
        self.tell_strata(id, telling.strata);
        self.tell_product(id, telling.product);
        let late = self.bring(id, station, telling.lap);
        if !late && station.gate.is_some() {
            let turn = self.state.pieces[id].turn;
            self.state.gates.at(station).reported(turn, place);
        }
        Some((id, late))
    }

    /// Strata are told once and remembered. A second, different word means that two pieces were mixed up.
    pub(crate) fn tell_strata(&mut self, id: PieceId, strata: &[(StratumName, String)]) {
        let piece = self.piece_mut(id);
        for (stratum, value) in strata {
            match piece.strata.get(stratum) {
                None => {
                    piece.strata.insert(stratum.clone(), value.clone());
                }
                Some(known) if known == value => {}
                Some(known) => {
                    let text = codes::stratum_differs(stratum.as_str(), known, value);
                    piece.ambiguous.get_or_insert(text);
                }
            }
        }
    }

    /// So is the product: told once, remembered, and ambiguous where it is told otherwise.
    pub(crate) fn tell_product(&mut self, id: PieceId, product: Option<&ProductName>) {
        let Some(product) = product else { return };
        let piece = self.piece_mut(id);
        let known = piece.product.get_or_insert_with(|| product.clone());
        if known != product {
            let text = codes::product_differs(known.as_str(), product.as_str());
            piece.ambiguous.get_or_insert(text);
        }
    }

    /// Whether a value of the characteristic may be believed: unless a gauge is named that is suspect, or
    /// that nobody declared for it.
    fn believes(&self, characteristic: &Characteristic, gauge: Option<&GaugeName>) -> bool {
        let Some(name) = gauge else { return true };
        let measures = |known: &Characteristic| {
            known.name == characteristic.name && known.gauge.as_ref() == Some(name)
        };
        let stations = &self.plant.stations;
        stations
            .iter()
            .flat_map(|station| &station.characteristics)
            .any(measures)
            && self.state.gauges.healthy(name.as_str())
    }

    fn judge_value(
        &mut self,
        id: PieceId,
        occasion: &Occasion<'_>,
        characteristic: &Characteristic,
        measured: &Measured,
    ) {
        let Occasion {
            reading,
            station,
            late,
            lap,
        } = *occasion;
        let judged = self.judged(Some((id, lap)), reading, characteristic, measured);
        let Some(aims) = characteristic.aims.of(judged.product.as_ref()) else {
            return self.judge_by_nothing(id, occasion, characteristic, judged);
        };
        let gauge = judged.gauge.clone();
        let gauge = gauge.as_ref();
        let gauge_healthy = judged.gauge_healthy;
        let views = self.feed(
            id,
            &Sample {
                station,
                characteristic,
                count: measured.count,
                gauge,
                gauge_healthy,
                lap,
                attempt: reading.attempt,
                late,
            },
        );
        let opinions = {
            let piece = &self.state.pieces[id];
            self.judge.judge(&Facts {
                station,
                characteristic,
                value: measured.count,
                piece: piece.name(),
                product: judged.product.as_ref(),
                strata: &piece.strata,
                gauge,
                gauge_healthy,
                attempt: reading.attempt,
                late,
                watches: &views.shown,
            })
        };
        let origin = Origin::values(&station.name, &characteristic.name, None);
        let mut heard = Heard::default();
        for opinion in opinions {
            self.hear(id, (station, characteristic), opinion, &mut heard);
        }
        let limits = match outside(characteristic, aims, measured.count) {
            None => Limits::Inside,
            Some(text) if heard.routed() => Limits::Routed(text),
            Some(text) => {
                heard.hold_by_tolerance(text, origin);
                Limits::Held
            }
        };
        self.outcomes.push(Outcome::Judged(Judged {
            watched: views.watched,
            said: mem::take(&mut heard.said),
            ..judged
        }));
        let ask = |(word, rule, text)| Ask {
            word,
            rule,
            text,
            gauge: gauge.cloned(),
            gauge_healthy,
        };
        let usable = Usable {
            station: station.name.clone(),
            characteristic: characteristic.name.clone(),
            lap,
            attempt: reading.attempt,
            believed: gauge_healthy,
            limits,
            asks: mem::take(&mut heard.asks).into_iter().map(ask).collect(),
        };
        self.learn(id, Says::Value(usable));
        if gauge_healthy {
            self.count_measured(id, station, characteristic, gauge);
        } else {
            self.doubt(id, occasion, characteristic, gauge);
        }
        self.carry_out(id, occasion, characteristic, heard);
    }

    /// What the value is held against hangs on the product, and that is not known: nothing is guessed.
    fn judge_by_nothing(
        &mut self,
        id: PieceId,
        occasion: &Occasion<'_>,
        characteristic: &Characteristic,
        judged: Judged,
    ) {
        let at = occasion.station.name.as_str();
        let name = self.name(id).clone();
        let (text, response) = match &judged.product {
            None => (
                codes::product_untold(at, characteristic.name.as_str(), name.as_str()),
                codes::let_a_station_tell_product(),
            ),
            Some(gone) => (
                codes::product_gone(
                    at,
                    characteristic.name.as_str(),
                    name.as_str(),
                    gone.as_str(),
                ),
                codes::declare_the_product(),
            ),
        };
        self.outcomes.push(Outcome::Judged(Judged {
            said: vec![Said {
                rule: Duty::Evidence.into(),
                word: None,
                text: text.clone(),
            }],
            ..judged
        }));
        let ends = self.quiet();
        self.raise(Occurrence {
            id: format!("product-{at}"),
            priority: Priority::Low,
            cause: Duty::Evidence.into(),
            text: text.clone(),
            consequence: codes::counts_as_unevaluated(),
            response,
            of: ("station", at),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends,
        });
        self.lack(id, occasion, characteristic, Duty::Evidence, text);
    }

    /// A usable value that is no evidence.
    fn lack(
        &mut self,
        id: PieceId,
        occasion: &Occasion<'_>,
        characteristic: &Characteristic,
        duty: Duty,
        text: Words,
    ) {
        self.miss(
            id,
            occasion.station,
            Gap {
                station: occasion.station.name.clone(),
                characteristic: Some(characteristic.name.clone()),
                lap: occasion.lap,
                attempt: occasion.reading.attempt,
                anywhere: false,
                duty,
                text,
            },
        );
    }

    /// Opens the holds, gives the advice and raises the alarms that rules asked for.
    fn carry_out(
        &mut self,
        id: PieceId,
        &Occasion {
            reading, station, ..
        }: &Occasion<'_>,
        characteristic: &Characteristic,
        heard: Heard,
    ) {
        let Heard {
            wishes,
            wider,
            advice,
            calls,
            ..
        } = heard;
        for wish in wishes {
            self.open_hold(HoldOf::Piece(id), wish);
        }
        if !wider.is_empty() {
            let opened: Vec<Opened> = wider
                .into_iter()
                .map(|(of, wish)| self.open_hold(of, wish))
                .collect();
            // Who stands under one that was open before is covered already.
            if opened.iter().any(|opened| matches!(opened, Opened::New(_))) {
                for opened in opened {
                    self.cover_standing(opened.id(), Some(id), &reading.input);
                }
            }
        }
        for one in advice {
            self.advise(id, station, characteristic, one);
        }
        for call in calls {
            self.call(id, station, call);
        }
    }

    /// Opens an advisory, or says again what an open one of the same rule and stratum says.
    fn advise(
        &mut self,
        piece: PieceId,
        station: &Station,
        characteristic: &Characteristic,
        advice: Advice,
    ) {
        let Advice {
            rule,
            role,
            text,
            apart,
        } = advice;
        let about = [
            ("station", station.name.as_str()),
            ("characteristic", characteristic.name.as_str()),
        ];
        let names = apart.names();
        let of = about.iter().chain(&names);
        let of = of.map(|(kind, name)| ((*kind).into(), (*name).into()));
        let of = of.collect();
        let id = AdvisoryId::from(topic(&rule, role.as_str(), &names));
        let open = self.state.advisories.get(id.as_str());
        if open.is_some_and(|open| open.text == text) {
            return;
        }
        let chart = self.chart_of(&rule, piece);
        let forecast = chart.as_ref().and_then(|chart| chart.forecast);
        let scale = &characteristic.scale;
        let advisory = Advisory {
            id,
            seq: self.state.seq,
            role,
            rule,
            origin: apart.origin(station, characteristic),
            text,
            of,
            since: self.state.now,
            value: chart.as_ref().map(|chart| scale.text(chart.level)),
            limit: chart.as_ref().map(|chart| scale.text(chart.limit)),
            rate: forecast
                .and_then(|forecast| forecast.rate_in(scale))
                .map(|rate| format!("{rate} {}", scale.unit().code())),
            left: forecast.and_then(|forecast| forecast.left),
        };
        let said = self.state.advisories.say(advisory).clone();
        self.outcomes.push(Outcome::Advisory(said));
    }

    /// Raises an alarm that a rule declares.
    fn call(&mut self, id: PieceId, station: &Station, call: Call) {
        let name = self.name(id).clone();
        let ends = self.quiet();
        let apart = call.apart.names();
        let id = topic(&call.rule, &call.alarm.name, &apart);
        self.raise(Occurrence {
            id,
            priority: call.alarm.priority,
            cause: call.rule.into(),
            text: Words::Own(call.text),
            consequence: Words::Own(call.alarm.consequence.clone()),
            response: Words::Own(call.alarm.response.clone()),
            of: ("station", station.name.as_str()),
            apart: Some(&apart),
            piece: Some(&name),
            owner: Owner::Role(&call.alarm.owner),
            ends,
        });
    }

    /// A value from a gauge in doubt is no evidence.
    fn doubt(
        &mut self,
        id: PieceId,
        occasion: &Occasion<'_>,
        characteristic: &Characteristic,
        gauge: Option<&GaugeName>,
    ) {
        let gauge = gauge.map_or("none", GaugeName::as_str);
        let text = if self.state.gauges.healthy(gauge) {
            codes::gauge_undeclared(gauge, characteristic.name.as_str())
        } else {
            codes::gauge_suspect(gauge)
        };
        self.lack(id, occasion, characteristic, Duty::Gauge, text);
    }

    /// Sorts one rule's opinion into what was said, what is asked for, and what is to be held.
    fn hear(
        &mut self,
        piece: PieceId,
        (station, characteristic): (&Station, &Characteristic),
        opinion: Opinion,
        heard: &mut Heard,
    ) {
        let Opinion { rule, per, said } = opinion;
        let verdicts = match said {
            Ok(verdicts) => verdicts,
            Err(fault) => {
                let text = codes::rule_failed(rule.as_str(), fault.text);
                self.raise_fault(&rule, piece, text.clone());
                let held = fault.fallback == Fallback::Hold;
                let word = held.then_some(Verb::Hold);
                heard.said.push(Said {
                    rule: Duty::Fault.into(),
                    word,
                    text: text.clone(),
                });
                if held {
                    heard.wishes.push(Wish {
                        rule: Duty::Fault.into(),
                        class: default_class(),
                        origin: Origin::Failed {
                            station: station.name.clone(),
                            characteristic: characteristic.name.clone(),
                            rule,
                        },
                        reason: text,
                    });
                }
                return;
            }
        };
        heard.said.extend(verdicts.iter().map(|verdict| Said {
            rule: (&rule).into(),
            word: Some(verdict.asks.verb()),
            text: Words::Own(verdict.text.clone()),
        }));
        for Verdict { asks, text } in merged(verdicts) {
            let rule = rule.clone();
            let apart = || Apart {
                stratum: self.stratum_of(piece, per.as_ref()),
                product: self.product_of(piece, characteristic),
            };
            match asks {
                Asks::Piece(Word::Accept | Word::Hold | Word::Unevaluated) => {}
                Asks::Piece(word) => heard.asks.push((word, rule, text)),
                Asks::Hold(Reach::Piece, class) => heard.wishes.push(Wish {
                    rule: rule.into(),
                    class: class.unwrap_or_else(default_class),
                    origin: Origin::values(&station.name, &characteristic.name, None),
                    reason: Words::Own(text),
                }),
                Asks::Hold(reach, class) => {
                    let apart = apart();
                    let stratum = apart.stratum.clone();
                    let wish = Wish {
                        rule: rule.into(),
                        class: class.unwrap_or_else(default_class),
                        origin: apart.origin(station, characteristic),
                        reason: Words::Own(text),
                    };
                    match (reach, stratum, self.plant.gate_for(station)) {
                        (Reach::Stratum, Some((per, value)), _) => {
                            heard.wider.push((HoldOf::Stratum(per, value), wish));
                        }
                        // Whose stratum nobody told may be of any: then all are held.
                        (_, _, Some(gate)) => {
                            heard.wider.push((HoldOf::Station(gate.name.clone()), wish));
                        }
                        // With no gate left the piece is all that can be held.
                        (_, _, None) => heard.wishes.push(wish),
                    }
                }
                Asks::Advise(role) => heard.advice.push(Advice {
                    rule,
                    role,
                    text,
                    apart: apart(),
                }),
                Asks::Alarm(alarm) => heard.calls.push(Call {
                    rule,
                    alarm,
                    text,
                    apart: apart(),
                }),
            }
        }
    }

    /// The piece's stratum of that kind, where it was told.
    fn stratum_of(
        &self,
        piece: PieceId,
        per: Option<&StratumName>,
    ) -> Option<(StratumName, String)> {
        let per = per?;
        let value = self.state.pieces[piece].strata.get(per)?;
        Some((per.clone(), value.clone()))
    }

    /// The piece's product, where it is what the value is held against that hangs on it.
    fn product_of(&self, id: PieceId, characteristic: &Characteristic) -> Option<ProductName> {
        let product = self.state.pieces[id].product.as_ref();
        product.filter(|_| characteristic.aims.differs()).cloned()
    }

    fn raise_fault(&mut self, rule: &RuleName, piece: PieceId, text: Words) {
        let name = self.name(piece).clone();
        self.raise(Occurrence {
            id: format!("fault-{rule}"),
            priority: Priority::High,
            cause: Duty::Fault.into(),
            text,
            consequence: codes::fallback_decides(),
            response: codes::repair_the_rule(),
            of: ("rule", rule.as_str()),
            apart: None,
            piece: Some(&name),
            owner: Owner::Automation,
            ends: Ends::Rulebook,
        });
    }
}

/// The same wish twice in one answer is one, with both reasons.
fn merged(verdicts: Vec<Verdict>) -> Vec<Verdict> {
    let mut merged: Vec<Verdict> = Vec::with_capacity(verdicts.len());
    for verdict in verdicts {
        match merged.iter_mut().find(|known| known.asks == verdict.asks) {
            None => merged.push(verdict),
            Some(known) if known.text.split("; ").any(|said| said == verdict.text) => {}
            Some(known) if known.text == verdict.text => {}
            Some(known) => {
                known.text.push_str("; ");
                known.text.push_str(&verdict.text);
            }
        }
    }
    merged
}

/// The topic level of what a rule says beyond the piece: dots between its parts, and none inside them.
fn topic(rule: &RuleName, what: &str, apart: &[(&str, &str)]) -> String {
    let parts = [rule.as_str(), what].into_iter();
    let parts = parts.chain(apart.iter().map(|(_, name)| *name));
    parts.map(topic_level).collect::<Vec<_>>().join(".")
}

/// Why a value is outside the tolerance, if it is; at a limit is inside.
fn outside(characteristic: &Characteristic, aims: &Aims, value: i64) -> Option<Words> {
    let Characteristic { name, scale, .. } = characteristic;
    match (&aims.lower, &aims.upper) {
        (Some(lower), _) if value < *lower => Some(codes::below_tolerance(
            name.as_str(),
            scale.text(value),
            scale.text(*lower),
        )),
        (_, Some(upper)) if value > *upper => Some(codes::above_tolerance(
            name.as_str(),
            scale.text(value),
            scale.text(*upper),
        )),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_same_wish_twice_is_one_with_both_reasons() {
        let verdict = |asks: &Asks, text: &str| Verdict {
            asks: asks.clone(),
            text: text.into(),
        };
        let hold = Asks::Hold(Reach::Piece, None);
        let strict = Asks::Hold(Reach::Piece, Some("food-contact".into()));
        let station = Asks::Hold(Reach::Station, None);
        let scrap = Asks::Piece(Word::Scrap);
        let answer = vec![
            verdict(&hold, "a"),
            verdict(&scrap, "b"),
            verdict(&hold, "c"),
            verdict(&station, "d"),
            verdict(&strict, "e"),
            verdict(&hold, "a; c"),
            verdict(&hold, "a"),
            verdict(&scrap, "b"),
        ];
        let expect = vec![
            verdict(&hold, "a; c"),
            verdict(&scrap, "b"),
            verdict(&station, "d"),
            verdict(&strict, "e"),
        ];
        assert_eq!(merged(answer), expect);
        assert_eq!(merged(Vec::new()), Vec::new());
    }

    #[test]
    fn what_a_rule_says_has_one_topic_level_of_its_own() {
        let check = |rule: &str, what: &str, value: Option<&str>, expect: &str| {
            let stratum: Vec<_> = value.iter().map(|value| ("heat", *value)).collect();
            assert_eq!(topic(&RuleName::from(rule), what, &stratum), expect);
        };
        check("wear", "maintenance", None, "wear.maintenance");
        check("wear", "maintenance", Some("M1"), "wear.maintenance.M1");
        check("wear", "light", Some("a/b"), "wear.light.a%2Fb");
        check("wear", "light", Some("a%2Fb"), "wear.light.a%252Fb");
        check("a.b", "c", Some("+ #"), "a%2Eb.c.%2B%20%23");
        check("a", "b.c", Some("é"), "a.b%2Ec.é");
    }

    proptest! {
        /// Percent-encoding as in RFC 3986, section 2.1, read backwards: the same parts come out again, so no two
        /// share a topic.
        #[test]
        fn a_topic_level_says_its_parts(
            parts in prop::collection::vec("[a-c/+#%. 2EFé]{0,6}", 2..=4),
        ) {
            let apart: Vec<_> = parts[2..].iter().map(|name| ("of", name.as_str())).collect();
            let level = topic(&RuleName::from(parts[0].as_str()), &parts[1], &apart);
            prop_assert!(!level.contains(['/', '+', '#', ' ']), "{}", level);
            let back: Vec<String> = level.split('.').map(decoded).collect();
            prop_assert_eq!(back, parts);
        }
    }

    fn decoded(part: &str) -> String {
        let mut pieces = part.split('%');
        let mut text = String::from(pieces.next().unwrap_or_default());
        for piece in pieces {
            let (digits, rest) = piece.split_at(2);
            let code = u8::from_str_radix(digits, 16).expect("two hex digits");
            text.push(char::from(code));
            text.push_str(rest);
        }
        text
    }
}
