//! From a reading to what is asked of a piece: facts to the rules, their answers and the engine's own
//! tolerance sorted into holds, asks and gaps. What follows from them is settled next door.

use crate::alarm::{Ends, Occurrence, Priority};
use crate::hold::{HoldOf, Wish};
use crate::input::{Fault, Measured, Reading, SourceKind};
use crate::judge::{Facts, Fallback, Judge, Opinion, Verdict};
use crate::line::Line;
use crate::names::{GaugeName, InputId, PieceName, RuleName, StratumName};
use crate::outcome::{Judged, Outcome, RejectReason, Said};
use crate::piece::{Ask, Gap};
use crate::plant::{Characteristic, Condition, Of, Station, Word};
use crate::settling::default_class;
use alloc::borrow::ToOwned;
use alloc::format;
use alloc::string::String;
use alloc::sync::Arc;
use alloc::vec::Vec;

/// A reading's own circumstances, the same for each of its values.
struct Occasion<'a> {
    reading: &'a Reading,
    station: &'a Station,
    late: bool,
}

/// What the rules said of one value, sorted.
#[derive(Default)]
struct Heard {
    said: Vec<Said>,
    asks: Vec<(Word, RuleName, String)>,
    wishes: Vec<Wish>,
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
                Gap {
                    station: station.name.clone(),
                    characteristic: fault.characteristic.clone(),
                    attempt: reading.attempt,
                    anywhere: false,
                    rule: evidence.clone(),
                    text: fault.text.clone(),
                },
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
            gauge_healthy: self.believes(characteristic, gauge),
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
            if station.condition != Condition::AsCast {
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
            && self
                .state
                .gauges
                .get(name)
                .is_none_or(crate::gauge::GaugeState::healthy)
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
        let gauge_healthy = self.believes(characteristic, gauge);
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
        let origin = format!("{}/{}", station.name, characteristic.name);
        let mut heard = Heard::default();
        for opinion in opinions {
            self.hear(name, opinion, &origin, &mut heard);
        }
        let outside = outside(characteristic, measured.count);
        let Heard {
            mut said,
            asks,
            mut wishes,
        } = heard;
        let routed = asks
            .iter()
            .any(|(word, ..)| word.is_route() || *word == Word::Recheck);
        if let Some(text) = outside.clone().filter(|_| !routed) {
            let rule = RuleName::from("engine:tolerance");
            said.push(Said {
                rule: rule.clone(),
                word: Some(Word::Hold),
                text: text.clone(),
            });
            wishes.push(Wish {
                rule,
                class: default_class(),
                origin,
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
        let ask = |(word, rule, text)| Ask {
            word,
            rule,
            text,
            gauge: gauge.cloned(),
            gauge_healthy,
        };
        self.piece_mut(name).measured(
            &station.name,
            &characteristic.name,
            reading.attempt,
            outside.filter(|_| routed),
            asks.into_iter().map(ask).collect(),
        );
        if !gauge_healthy {
            self.doubt(name, occasion, characteristic, gauge);
        }
        for wish in wishes {
            self.open_hold(HoldOf::Piece(name.clone()), wish);
        }
    }

    /// A value from a gauge in doubt is no evidence.
    fn doubt(
        &mut self,
        name: &PieceName,
        occasion: &Occasion<'_>,
        characteristic: &Characteristic,
        gauge: Option<&GaugeName>,
    ) {
        let gauge = gauge.map_or("none", GaugeName::as_str);
        let suspect = self
            .state
            .gauges
            .get(gauge)
            .is_some_and(|state| !state.healthy());
        let text = if suspect {
            format!("gauge {gauge} is suspect: its reading is no evidence")
        } else {
            format!(
                "gauge {gauge} is not declared for {}: its reading is no evidence",
                characteristic.name
            )
        };
        self.miss(
            name,
            occasion.station,
            Gap {
                station: occasion.station.name.clone(),
                characteristic: Some(characteristic.name.clone()),
                attempt: occasion.reading.attempt,
                anywhere: false,
                rule: RuleName::from("engine:gauge"),
                text,
            },
        );
    }

    /// Sorts one rule's opinion into what was said, what is asked for, and what is to be held.
    fn hear(&mut self, piece: &PieceName, opinion: Opinion, origin: &str, heard: &mut Heard) {
        let Opinion { rule, said } = opinion;
        let verdicts = match said {
            Ok(verdicts) => verdicts,
            Err(fault) => {
                let text = format!("{rule} failed: {}", fault.text);
                self.raise_fault(&rule, piece, text.clone());
                let held = fault.fallback == Fallback::Hold;
                let engine = RuleName::from("engine:fault");
                let word = held.then_some(Word::Hold);
                heard.said.push(Said {
                    rule: engine.clone(),
                    word,
                    text: text.clone(),
                });
                if held {
                    let origin = format!("{origin} {rule}");
                    heard.wishes.push(Wish {
                        rule: engine,
                        class: default_class(),
                        origin,
                        reason: text,
                    });
                }
                return;
            }
        };
        for Verdict { word, text, class } in verdicts {
            heard.said.push(Said {
                rule: rule.clone(),
                word: Some(word),
                text: text.clone(),
            });
            match word {
                Word::Hold => heard.wishes.push(Wish {
                    rule: rule.clone(),
                    class: class.unwrap_or_else(default_class),
                    origin: origin.to_owned(),
                    reason: text,
                }),
                Word::Accept | Word::Unevaluated => {}
                Word::Recheck | Word::Rework | Word::Regrade | Word::Scrap | Word::Remelt => {
                    heard.asks.push((word, rule.clone(), text));
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
