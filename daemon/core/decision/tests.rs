//! The decision as a table, and what must be true of every combination.

use super::*;
use crate::evidence::{Evidence, Findings, Gap, Point};
use crate::gauge::GaugeState;
use crate::hold::{HoldOf, Origin, Wish};
use crate::names::ProductName;
use crate::piece::Name;
use crate::plant::{Condition, Effect, Gate, Station};
use crate::product::ByProduct;
use crate::time::{Span, Timestamp};
use alloc::collections::{BTreeMap, BTreeSet};
use alloc::format;
use alloc::string::{String, ToString};
use alloc::vec::Vec;

/// One line of circumstances, in words; what is not said is as it should be.
///
/// `remelt` … what a rule asks for, more than one with `+`; `at CONDITION` where the gate stands (as-cast), `no gate`,
/// `final`; `suspect` the gauge, `doubted` when it measured; `ambiguous`; `held`, `gate held`, `mould held`; `gap`;
/// `unmeasured`; `perhaps CONDITION` further on; a `gp-28`, which may not be scrapped machined, or of a product `untold`.
const TABLE: &str = "
                                        accept
    unmeasured                          unevaluated
    gap                                 unevaluated
    held                                hold
    held, gap, unmeasured               hold
    final                               unevaluated
    recheck                             recheck
    recheck, gap                        recheck
    regrade, at cured                   regrade
    regrade, at cured, gap              unevaluated
    regrade                             object legality not-legal-there
    remelt                              remelt
    scrap                               scrap
    rework, at machined                 rework
    rework                              object legality not-legal-there
    remelt, at machined                 object legality not-legal-there
    remelt, no gate                     object legality no-gate-left
    remelt, perhaps machined            object legality not-legal-where-it-may-be
    scrap, perhaps machined             scrap
    scrap, at machined                  scrap
    scrap, at machined, gp-28           object legality not-legal-there
    scrap, at machined, untold          object legality not-legal-there
    rework, at machined, gp-28          rework
    rework, at machined, untold         rework
    scrap, gp-28                        scrap
    scrap, gp-28, perhaps machined      object legality not-legal-where-it-may-be
    remelt, held                        object rule piece-held
    remelt, gate held                   object rule wider-hold-open
    remelt, mould held                  object rule wider-hold-open
    remelt, suspect                     object gauge gauge-in-doubt
    remelt, doubted                     object gauge gauge-in-doubt
    remelt, ambiguous                   object identity identity-ambiguous
    remelt+scrap                        object rule another-asks
    remelt+recheck                      object rule another-asks
    remelt, gap                         object rule evidence-missing
    remelt, held, suspect, ambiguous    object rule piece-held
    regrade, at cured, suspect          regrade
    recheck, ambiguous                  recheck
    ambiguous                           accept
    suspect                             accept
";

#[test]
fn the_decision_is_as_the_table_says() {
    for line in TABLE.lines().filter(|line| !line.trim().is_empty()) {
        let (given, expect) = line.split_at(40);
        let found = World::of(given.trim()).decided();
        assert_eq!(found, expect.trim(), "{given}");
    }
}

/// Every word against every condition, gauge, identity and hold: nothing that cannot be taken back is done where one thing
/// speaks against it, and what is objected to is told by whom.
#[test]
fn what_cannot_be_taken_back_needs_everything() {
    let mut done = 0;
    let words = ["", "recheck", "regrade", "rework", "scrap", "remelt"];
    for word in words {
        for condition in Condition::ALL {
            for gauge in ["", "suspect", "doubted"] {
                for identity in ["", "ambiguous"] {
                    for hold in ["", "held", "gate held", "mould held"] {
                        for gap in ["", "gap"] {
                            let at = format!("at {condition}");
                            let given = [word, &at, gauge, identity, hold, gap];
                            let given = given.into_iter().filter(|part| !part.is_empty());
                            let given = given.collect::<Vec<_>>().join(", ");
                            let found = World::of(&given).decided();
                            let good = gauge.is_empty() && identity.is_empty() && gap.is_empty();
                            if ["rework", "scrap", "remelt"].contains(&found.as_str()) {
                                done += 1;
                                assert!(good && hold.is_empty(), "{given}: {found}");
                                assert!(legal(*condition, word), "{given}: {found}");
                            }
                            if hold == "held" {
                                assert!(found == "hold" || found.starts_with("object"), "{given}");
                            }
                            if found == "accept" {
                                assert!(word.is_empty() && gap.is_empty(), "{given}: {found}");
                            }
                        }
                    }
                }
            }
        }
    }
    assert_eq!(
        done, 4,
        "scrap as cast and machined, remelt as cast, rework machined"
    );
}

fn legal(condition: Condition, word: &str) -> bool {
    let routes = match condition {
        Condition::AsCast => &["remelt", "scrap"][..],
        Condition::Machined => &["rework", "scrap"],
        Condition::Cured => &["regrade"],
        _ => &[],
    };
    routes.contains(&word)
}

struct World {
    plant: Plant,
    piece: Piece,
    holds: Holds,
    gauges: Gauges,
    gate: bool,
}

impl World {
    fn of(given: &str) -> Self {
        let parts: Vec<&str> = given.split(", ").filter(|part| !part.is_empty()).collect();
        let has = |part: &str| parts.contains(&part);
        let after = |word: &str| {
            let mut found = parts.iter().filter_map(|part| part.strip_prefix(word));
            found.next().map(|name| Condition::parse(name).expect(name))
        };
        let words = parts.iter().flat_map(|part| part.split('+'));
        let asks: Vec<Ask> = words
            .filter_map(Word::parse)
            .map(|word| Ask {
                word,
                rule: "rule".into(),
                text: "so".into(),
                gauge: Some("lc-1".into()),
                gauge_healthy: !has("doubted"),
            })
            .collect();
        let point = Point {
            station: "s30".into(),
            characteristic: "mass".into(),
            lap: 1,
            attempt: 1,
            first: 1,
            outside: None,
            asks,
        };
        let mut piece = Piece {
            product: (!has("untold")).then(|| if has("gp-28") { "gp-28" } else { "gp-24" }.into()),
            strata: BTreeMap::from([("mould".into(), "M1".into())]),
            ambiguous: has("ambiguous").then(|| "two of one name".into()),
            evidence: Evidence::of(Findings::new(
                if has("unmeasured") {
                    Vec::new()
                } else {
                    Vec::from([point])
                },
                has("gap").then(gap).into_iter().collect(),
            )),
            ..Piece::new(
                Name {
                    name: "P1".into(),
                    by: "s30".into(),
                    since: 1,
                },
                4,
            )
        };
        let plant = plant(
            after("at ").unwrap_or(Condition::AsCast),
            after("perhaps "),
            has("final"),
        );
        if let Some(further) = plant.station("s40") {
            piece.at.may_be_at(&plant, further);
        }
        let mut holds = Holds::default();
        let open = [
            ("held", HoldOf::Piece(PieceId(1))),
            ("gate held", HoldOf::Station("s30".into())),
            ("mould held", HoldOf::Stratum("mould".into(), "M1".into())),
        ];
        for (_, of) in open.into_iter().filter(|(word, _)| has(word)) {
            let wish = Wish {
                rule: Speaker::Person("QE-1".into()),
                class: "minor".into(),
                origin: Origin::Request("r".into(), 1),
                reason: "look".into(),
            };
            holds.open(of, wish, Timestamp(0), 1);
        }
        let suspect = GaugeState {
            suspect_since: has("suspect").then_some(Timestamp(1)),
            ..GaugeState::default()
        };
        let gauges = Gauges::new(BTreeMap::from([("lc-1".into(), suspect)]), BTreeMap::new());
        Self {
            plant,
            piece,
            holds,
            gauges,
            gate: !has("no gate"),
        }
    }

    /// The word, or who objects and why.
    fn decided(&self) -> String {
        let station = self.plant.station("s30").expect("declared below");
        let gate = station.gate.as_ref().filter(|_| self.gate);
        let matter = Matter {
            id: PieceId(1),
            piece: &self.piece,
            holds: &self.holds,
            gauges: &self.gauges,
            plant: &self.plant,
            gate: gate.map(|gate| (station, gate)),
        };
        match matter.objection() {
            None => matter.word().to_string(),
            Some(Objection { by, why }) => {
                let by = by.to_string();
                let by = by.strip_prefix("engine:").unwrap_or(&by);
                format!("object {by} {}", why.code().expect("the engine's own"))
            }
        }
    }
}

fn gap() -> Gap {
    Gap {
        station: "s30".into(),
        characteristic: None,
        lap: 1,
        attempt: 1,
        anywhere: false,
        duty: Duty::Evidence,
        text: "no value".into(),
    }
}

fn plant(condition: Condition, further: Option<Condition>, is_final: bool) -> Plant {
    let station = |name: &str, place, condition, gate| Station {
        name: name.into(),
        place,
        condition,
        gate,
        characteristics: Vec::new(),
        topics: Vec::new(),
        observe: false,
    };
    let gate = Gate {
        kind: if is_final {
            GateKind::Final
        } else {
            GateKind::Lane
        },
        place: 4,
        within: Span::from_secs(3),
        effect: Effect::Divert,
    };
    let routes = |words: &[Word]| words.iter().copied().collect::<BTreeSet<Word>>();
    let all = |words: &[Word]| ByProduct::All(routes(words));
    let first = station("s30", 4, condition, Some(gate));
    let second = further.map(|condition| station("s40", 8, condition, None));
    Plant {
        products: ["gp-24", "gp-28"].map(ProductName::from).into(),
        routes_legal: BTreeMap::from([
            (Condition::AsCast, all(&[Word::Remelt, Word::Scrap])),
            (
                Condition::Machined,
                ByProduct::Each(BTreeMap::from([
                    ("gp-24".into(), routes(&[Word::Rework, Word::Scrap])),
                    ("gp-28".into(), routes(&[Word::Rework])),
                ])),
            ),
            (Condition::Cured, all(&[Word::Regrade])),
        ]),
        ..Plant::of_stations([first].into_iter().chain(second).collect())
    }
}
