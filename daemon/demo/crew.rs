//! Everybody on the line who speaks, and the belt between them. No I/O and no clock.
//!
//! A piece that a gate keeps comes to no later place, and its slot stays empty all the way down. Deliberately not here: how
//! what they say is carried, and in which order they are asked.

use std::collections::BTreeMap;

use crate::controller::{Controller, Event, Measured, Outgoing, Scale, Shown, Strata};
use crate::link::Protocol;
use crate::people::Desk;
use crate::script::{Act, Casting, Script};
use crate::{BASE, clock};

/// The stations that speak, from the last place on the belt back to the first: name, seconds a piece can wait at its
/// gate, protocol. The others of the line have nothing to say.
pub(crate) const POSTS: [(&str, Option<i64>, Protocol); 6] = [
    ("s95", Some(3), Protocol::V5),
    ("s85", Some(5), Protocol::V3),
    ("s60", Some(60), Protocol::V5),
    ("s50", None, Protocol::V3),
    ("s30", Some(3), Protocol::V5),
    ("s20", None, Protocol::V3),
];
const CONCAVITY: usize = 0;
const THICKNESS: usize = 1;
const ROUGHNESS: usize = 2;
const BLASTER: usize = 3;
const SCALE: usize = 4;
const CASTING_CELL: usize = 5;
pub(crate) const DESK: usize = 6;

/// Why the shift lead frees the roughness gate.
const RELEASE_REASON: &str = "hopper cleared, media made up at 13:35, three good samples since";

/// What the gauges show.
const TENTH_G: Scale = Scale {
    to_the_unit: 10.0,
    unit: "g",
};
const HUNDREDTH_UM: Scale = Scale {
    to_the_unit: 100.0,
    unit: "um",
};
const TENTH_UM: Scale = Scale {
    to_the_unit: 10.0,
    unit: "um",
};
const THOUSANDTH_MM: Scale = Scale {
    to_the_unit: 1_000.0,
    unit: "mm",
};

/// The controllers of the line, in speaking order, and the shift lead at the desk.
#[derive(Debug)]
pub(crate) struct Crew {
    pub(crate) script: Script,
    /// By station, in speaking order.
    pub(crate) controllers: Vec<Controller>,
    pub(crate) desk: Desk,
}

/// What somebody says: who, on which topic, the bytes.
pub(crate) type Saying = (usize, String, String);

impl Crew {
    pub(crate) fn of(script: &Script) -> Crew {
        Crew {
            script: script.clone(),
            controllers: POSTS
                .iter()
                .map(|(name, gate_s, _)| Controller::new(BASE, name, *gate_s))
                .collect(),
            desk: Desk::new(BASE, "s60"),
        }
    }

    /// The topics that each listens to.
    pub(crate) fn subscriptions(&self) -> Vec<Vec<String>> {
        let stations = self.controllers.iter().map(Controller::subscriptions);
        stations.chain([self.desk.subscriptions()]).collect()
    }

    /// The next instant after `now_us` at which somebody has something to do.
    pub(crate) fn instant_after(&self, now_us: Option<i64>) -> Option<i64> {
        let scripted = self.script.instant_after(now_us);
        let resend = self
            .controllers
            .iter()
            .filter_map(Controller::resend_us)
            .chain(self.desk.resend_us())
            .min();
        scripted.into_iter().chain(resend).min()
    }

    /// The acts of the script after one instant up to another.
    pub(crate) fn acts(&self, after_us: Option<i64>, now_us: i64) -> Vec<(i64, Act)> {
        let acts = self.script.acts(after_us, now_us);
        acts.map(|(at, act)| (at, act.clone())).collect()
    }

    /// Whether a question of anybody's is open.
    pub(crate) fn waits(&self) -> bool {
        self.desk.waits() || self.controllers.iter().any(Controller::waits)
    }

    /// Whether a question of this speaker's is open.
    pub(crate) fn asks(&self, speaker: usize) -> bool {
        match self.controllers.get(speaker) {
            Some(controller) => controller.waits(),
            None => self.desk.waits(),
        }
    }

    /// What is not answered, for people.
    pub(crate) fn unanswered(&self) -> Vec<String> {
        let stations = self.controllers.iter().flat_map(Controller::unanswered);
        stations.chain(self.desk.unanswered()).collect()
    }

    /// The messages nobody could use, each with its topic and what was wrong.
    pub(crate) fn into_unusable(self) -> Vec<String> {
        let stations = self.controllers.into_iter();
        let stations = stations.flat_map(Controller::into_unusable);
        stations.chain(self.desk.into_unusable()).collect()
    }

    /// A saying of a station.
    pub(crate) fn saying(&self, station: usize, outgoing: Outgoing) -> Saying {
        let topic = self.controllers[station].topic(outgoing.own);
        (station, topic, outgoing.bytes)
    }

    /// A saying of the desk.
    pub(crate) fn asking(&self, bytes: String) -> Saying {
        (DESK, self.desk.topic(), bytes)
    }

    /// Who speaks in one act of the script.
    pub(crate) fn speaker(act: &Act) -> usize {
        match act {
            Act::Birth(_) | Act::PlannedStop { .. } | Act::Start => CASTING_CELL,
            Act::CheckWeight(_) | Act::Weigh(_) => SCALE,
            Act::MakeUp => BLASTER,
            Act::Roughness(_) | Act::CoatingDoor(_) => ROUGHNESS,
            Act::Thickness(_) => THICKNESS,
            Act::Concavity(_) => CONCAVITY,
            Act::Release => DESK,
        }
    }

    /// What one act of the script makes somebody say.
    pub(crate) fn perform(&mut self, at_us: i64, act: &Act) -> Vec<Saying> {
        if *act == Act::Release {
            let asked = self.desk.release(at_us, RELEASE_REASON);
            return asked.into_iter().map(|bytes| self.asking(bytes)).collect();
        }
        let station = Crew::speaker(act);
        let said = self.on_the_line(station, at_us, act).into_iter();
        said.map(|outgoing| self.saying(station, outgoing))
            .collect()
    }

    /// What one act of the script makes its station say. A piece that is kept at a gate is seen nowhere further.
    fn on_the_line(&mut self, station: usize, at_us: i64, act: &Act) -> Vec<Outgoing> {
        match *act {
            Act::Birth(index) => {
                let casting = &self.script.castings()[index];
                let strata = BTreeMap::from([
                    ("mould", casting.mould.clone()),
                    ("heat", casting.heat.clone()),
                ]);
                let piece = casting.piece.clone();
                self.told(station, at_us, &Event::Birth { piece, strata })
            }
            Act::PlannedStop { until_us } => {
                let until = clock::written(until_us);
                let text = "planned stop of the casting cell";
                self.told(station, at_us, &Event::PlannedStop { until, text })
            }
            Act::Start => self.told(station, at_us, &Event::Start),
            Act::MakeUp => self.told(station, at_us, &Event::MakeUp { item: "C1" }),
            Act::CheckWeight(shown_dg) => {
                let check = Event::CheckStandard {
                    gauge: "lc-1",
                    standard: "check-weight-1000",
                    values: BTreeMap::from([("mass", Shown::One(shown_dg, TENTH_G))]),
                };
                self.told(station, at_us, &check)
            }
            Act::Weigh(index) => self.on_the_belt(station, index, |scale, casting| {
                scale.measure(at_us, &mass(casting))
            }),
            Act::Roughness(index) => self.on_the_belt(station, index, |gauge, casting| {
                roughness(casting).map_or_else(Vec::new, |shown| gauge.measure_ahead(at_us, &shown))
            }),
            Act::CoatingDoor(index) => self.on_the_belt(station, index, |gate, casting| {
                gate.reach_gate(at_us, &casting.piece, media(casting))
            }),
            Act::Thickness(index) => {
                self.on_the_belt(station, index, |gauge, casting| match thickness(casting) {
                    Some(shown) => gauge.measure(at_us, &shown),
                    None => gauge.reach_gate(at_us, &casting.piece, booth(casting)),
                })
            }
            Act::Concavity(index) => self.on_the_belt(station, index, |gauge, casting| {
                gauge.measure(at_us, &concavity(casting))
            }),
            // A person's, and done before.
            Act::Release => Vec::new(),
        }
    }

    fn told(&mut self, station: usize, at_us: i64, event: &Event) -> Vec<Outgoing> {
        vec![self.controllers[station].tell(at_us, event)]
    }

    fn on_the_belt(
        &mut self,
        station: usize,
        index: usize,
        does: impl FnOnce(&mut Controller, &Casting) -> Vec<Outgoing>,
    ) -> Vec<Outgoing> {
        let casting = &self.script.castings()[index];
        let kept = |controller: &Controller| controller.keeps(&casting.piece);
        if self.controllers.iter().any(kept) {
            return Vec::new();
        }
        does(&mut self.controllers[station], casting)
    }
}

fn mass(casting: &Casting) -> Measured<'_> {
    Measured {
        piece: &casting.piece,
        values: BTreeMap::from([("mass", Shown::One(casting.shown_dg, TENTH_G))]),
        strata: Strata::new(),
        gauge: Some("lc-1"),
        copies: if casting.sent_twice { 2 } else { 1 },
    }
}

fn roughness(casting: &Casting) -> Option<Measured<'_>> {
    let shown = casting.roughness?;
    let values = BTreeMap::from([
        ("ra", Shown::One(shown.ra_centi, HUNDREDTH_UM)),
        ("rz", Shown::One(shown.rz_deci, TENTH_UM)),
    ]);
    Some(Measured {
        piece: &casting.piece,
        values,
        strata: media(casting),
        gauge: None,
        copies: 1,
    })
}

fn thickness(casting: &Casting) -> Option<Measured<'_>> {
    let spots = casting.spots_deci?.to_vec();
    Some(Measured {
        piece: &casting.piece,
        values: BTreeMap::from([("thickness", Shown::Spots(spots, TENTH_UM))]),
        strata: booth(casting),
        gauge: None,
        copies: 1,
    })
}

fn concavity(casting: &Casting) -> Measured<'_> {
    let shown = Shown::One(casting.concavity_micro, THOUSANDTH_MM);
    Measured {
        piece: &casting.piece,
        values: BTreeMap::from([("concavity", shown)]),
        strata: Strata::new(),
        gauge: None,
        copies: 1,
    }
}

/// Told where the surface that the charge made is measured or passes.
fn media(casting: &Casting) -> Strata {
    BTreeMap::from([("media", casting.media.to_owned())])
}

/// Told where the coating that the booth gave is measured or passes.
fn booth(casting: &Casting) -> Strata {
    BTreeMap::from([("booth", casting.booth.to_owned())])
}
