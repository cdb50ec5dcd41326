//! The pieces on their way: what stations send of them, and which of them gates let pass.

use super::{Happening, SILENCE, STATIONS, VALID, World};
use crate::simulation::bus::{SECOND, Time};
use crate::simulation::promises::{Broken, want};
use serde_json::json;

impl World {
    pub(super) fn piece(&mut self, station: usize, piece: u64) {
        let now = self.now();
        let (_, _, behind, within) = STATIONS[station];
        let takt = self.faults.takt * SECOND;
        let name = format!("P{piece:06}");
        let at = &mut self.stations[station];
        match station {
            0 => {
                let mould = ["M1", "M2"][(piece % 2) as usize];
                at.event(
                    now,
                    json!({"kind": "birth", "piece": name, "strata": {"mould": mould}}),
                );
                if now + takt < self.cast_ends {
                    self.happens(
                        takt,
                        Happening::Piece {
                            station,
                            piece: piece + 1,
                        },
                    );
                }
                let next = STATIONS[1].1;
                self.happens(next * takt, Happening::Piece { station: 1, piece });
            }
            1 => {
                let mass = self.mass(piece);
                let reading = json!({"piece": name, "gauge": "lc-1", "values": {"mass": mass}});
                self.stations[station].reading(now, reading);
                self.happens(within * SECOND, Happening::Gate { station, piece });
            }
            2 => {
                if piece.is_multiple_of(3) {
                    let ra = self.roughness();
                    self.stations[station].reading(
                        now,
                        json!({"piece": name, "strata": {"media": "C1"}, "values": {"ra": ra}}),
                    );
                } else {
                    at.event(now, json!({"kind": "arrival", "piece": name}));
                }
                self.happens(behind * takt, Happening::Gate { station, piece });
            }
            _ => {
                let hollow = 0.45 + 0.04 * self.noise();
                let reading = json!({"piece": name, "values": {"concavity": (hollow * 1000.0).round() / 1000.0}});
                self.stations[station].reading(now, reading);
                self.happens(within * SECOND, Happening::Gate { station, piece });
            }
        }
        self.send(station + 1);
    }

    /// A number about normal, from twelve drawn ones.
    fn noise(&mut self) -> f64 {
        let sum: u64 = (0..12).map(|_| self.chance.below(1_000_001)).sum();
        sum as f64 / 1e6 - 6.0
    }

    /// What the scale sends: now and then nonsense, or a piece far too light.
    fn mass(&mut self, piece: u64) -> serde_json::Value {
        let drift = if piece.is_multiple_of(2) {
            piece as f64 * 0.01 % 20.0
        } else {
            0.0
        };
        let mass = ((1450.0 + 5.0 * self.noise() + drift) * 10.0).round() / 10.0;
        match self.chance.below(60) {
            0 => json!(1380.1),
            1 => json!(32767),
            2 => json!("1448,3"),
            3 => json!({"value": mass / 1000.0, "unit": "kg"}),
            _ => json!({"value": mass, "unit": "g"}),
        }
    }

    /// The surface wanders towards its limit and is mended.
    fn roughness(&mut self) -> f64 {
        self.surface -= 0.004;
        if self.surface < 2.4 {
            self.surface = 3.3;
        }
        ((self.surface + 0.12 * self.noise()) * 100.0).round() / 100.0
    }

    /// The piece has waited: it passes, or goes to the lane.
    pub(super) fn gate(&mut self, station: usize, piece: u64) -> Result<(), Broken> {
        let now = self.now();
        let name = format!("P{piece:06}");
        let at = &self.stations[station];
        let answer = at.obeyed.get(&name).cloned();
        if at.may_pass(now) {
            self.permitted(station, now)?;
        }
        match answer {
            Some(answer) if answer.word == "accept" && self.stations[station].may_pass(now) => {
                self.promises.passed(&name, &answer.id, now)?;
                self.tally.passed += 1;
                if let Some((_, place, ..)) = STATIONS.get(station + 1) {
                    let (_, here, behind, _) = STATIONS[station];
                    let way = (place - here - behind) * self.faults.takt * SECOND;
                    self.happens(
                        way,
                        Happening::Piece {
                            station: station + 1,
                            piece,
                        },
                    );
                }
            }
            Some(answer) => {
                self.tally.laned += 1;
                let diverted = json!({"kind": "diverted", "piece": name, "disposition": answer.id, "to": "lane"});
                self.stations[station].event(now, diverted);
                self.send(station + 1);
            }
            None => self.tally.laned += 1,
        }
        Ok(())
    }

    /// A gate that may open: the daemon lives, and has not known of a hold for long.
    fn permitted(&self, station: usize, now: Time) -> Result<(), Broken> {
        let name = STATIONS[station].0;
        let latest = self.bus.manners.latest().max(self.faults.manners.latest());
        let silent = now - self.alive;
        want!(
            silent <= SILENCE + latest,
            "{name} is open {silent} us after the daemon was last there"
        );
        if let Some(since) = self.held.get(name) {
            let held = now - since;
            want!(
                held <= VALID + latest,
                "{name} is open {held} us after it was held in the ledger"
            );
        }
        Ok(())
    }
}
