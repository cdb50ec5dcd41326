//! Rules and facts made by chance: whatever a script says and whatever it is asked about, it answers, or its fault is
//! told, within its budget. Nothing breaks, nothing hangs, nothing grows without end.
//!
//! Deliberately not here: what any rule should answer.

use crate::rules::Rules;
use crate::rules::tests::{book, lines, plant};
use chargehand_core::{
    Ahead, CharacteristicName, Count, Datum, Drift, Effect, Facts, Gate, GateKind, Judge, Outlook,
    PieceName, Plant, Real, Remark, Shown, Span, StationName, Stratum, StratumName, Trail, Watch,
    Words,
};
use proptest::prelude::*;
use std::collections::BTreeMap;
use std::time::{Duration, Instant};

const SHIPPED: [&str; 3] = [
    include_str!("../../rules/mass-miss.rhai"),
    include_str!("../../rules/mould-wear.rhai"),
    include_str!("../../rules/roughness-run.rhai"),
];

/// Many times what the budget takes in a debug build on a busy machine.
const LONG: Duration = Duration::from_secs(60);

/// The tests' plant, with the station where roughness is measured.
fn works() -> Plant {
    let mut plant = plant();
    plant.strata.push(Stratum {
        name: "media".into(),
        values: vec!["C1".into(), "C2".into()],
    });
    let gate = Gate {
        kind: GateKind::Diverter,
        place: 0,
        within: Span::from_secs(5),
        effect: Effect::Divert,
    };
    plant.stations[0].gate = Some(gate.clone());
    let mut station = plant.station("s95").expect("a station").clone();
    station.name = StationName::from("s60");
    station.gate = Some(gate);
    let ra = &mut station.characteristics[0];
    ra.name = CharacteristicName::from("ra");
    ra.scale = chargehand_measure::Scale::new(
        ra.scale.unit().clone(),
        chargehand_measure::Decimal::new(1, 2),
    )
    .expect("a scale");
    plant.stations.push(station);
    plant
}

/// What a rule is asked about.
#[derive(Clone, Debug)]
struct Occasion {
    value: i64,
    count: Count,
    drift: Drift,
    ahead: Ahead,
    told: bool,
    healthy: Option<bool>,
    attempt: u32,
    late: bool,
}

fn occasion() -> impl Strategy<Value = Occasion> {
    let edge = prop_oneof![
        Just(0_i64),
        Just(i64::MAX),
        Just(i64::MIN),
        Just(14_500),
        any::<i64>()
    ];
    let number = prop_oneof![Just(0_u32), Just(1), Just(u32::MAX), any::<u32>()];
    let count = (number.clone(), number.clone(), number.clone());
    let level = proptest::option::of(edge.clone());
    let ahead = (
        proptest::collection::vec((any::<u64>(), any::<i64>()), 0..30),
        any::<u64>(),
    );
    let points = prop_oneof![Just(0_u64), Just(u64::MAX), any::<u64>()];
    let rest = (
        any::<bool>(),
        proptest::option::of(any::<bool>()),
        number,
        any::<bool>(),
        ahead,
    );
    (edge, count, (level, any::<bool>(), points), rest).prop_map(
        |(value, (total, in_a_row, pieces), (level, signal, points), rest)| {
            let (told, healthy, attempt, late, (newest, passed)) = rest;
            let mut trail = Trail::default();
            for (piece, count) in newest {
                trail.push(piece, count);
            }
            Occasion {
                value,
                count: Count {
                    total,
                    in_a_row,
                    pieces,
                },
                drift: Drift {
                    level,
                    signal,
                    points,
                    ..Drift::default()
                },
                ahead: Ahead {
                    trail,
                    passed,
                    outlook: Outlook::default(),
                    points,
                    centre: Some(Real(0.0)),
                    sigma: Real(1.0),
                },
                told,
                healthy,
                attempt,
                late,
            }
        },
    )
}

/// Loads a rule and asks it, at every station; says whether it loaded.
fn ask(text: &str, occasions: &[Occasion]) -> Result<bool, TestCaseError> {
    let (begin, plant) = (Instant::now(), works());
    let loaded = Rules::load(&book(&[("a.rhai", text)]), &plant);
    prop_assert!(begin.elapsed() < LONG, "loading took too long: {text}");
    let mut rules = match loaded {
        Ok(rules) => rules,
        Err(faults) => {
            let said = lines(&faults);
            prop_assert!(!faults.is_empty(), "refused without a word: {text}");
            prop_assert!(!said.contains("fault of the program"), "{said}\n{text}");
            return Ok(false);
        }
    };
    let piece = PieceName::from("P13");
    for occasion in occasions {
        let strata = occasion.strata();
        let shown: Vec<(usize, Shown)> = rules
            .declarations()
            .iter()
            .map(|declared| match declared.watch {
                Watch::Counter { .. } => Shown::Counter(occasion.count),
                Watch::Chart { outlook, .. } => Shown::Chart(Drift {
                    ahead: outlook.map(|outlook| Ahead {
                        outlook,
                        ..occasion.ahead.clone()
                    }),
                    ..occasion.drift.clone()
                }),
            })
            .enumerate()
            .collect();
        for station in &plant.stations {
            for characteristic in &station.characteristics {
                let begin = Instant::now();
                let opinions = rules.judge(&Facts {
                    station,
                    characteristic,
                    value: occasion.value,
                    piece: &piece,
                    product: None,
                    strata: &strata,
                    gauge: occasion.healthy.and(characteristic.gauge.as_ref()),
                    gauge_healthy: occasion.healthy.unwrap_or(false),
                    attempt: occasion.attempt,
                    late: occasion.late,
                    watches: &shown,
                });
                prop_assert!(begin.elapsed() < LONG, "asking took too long: {text}");
                for opinion in opinions {
                    if let Err(fault) = opinion.said {
                        let said = chargehand_words::say(&fault.text);
                        prop_assert!(said.starts_with("a.rhai"), "{said}\n{text}");
                        prop_assert!(coded(&fault.text), "a text of our own: {said}\n{text}");
                        let ours = said.contains("fault of the program");
                        prop_assert!(!ours, "{said}\n{text}");
                    }
                }
            }
        }
    }
    Ok(true)
}

impl Occasion {
    fn strata(&self) -> BTreeMap<StratumName, String> {
        let kinds = ["mould", "media", "heat"].iter().filter(|_| self.told);
        kinds
            .map(|&kind| (StratumName::from(kind), "M1".to_owned()))
            .collect()
    }
}

/// Whether what went wrong, and what to do, are codes all the way down.
fn coded(words: &Words) -> bool {
    fn all(remark: &Remark) -> bool {
        remark.data().all(|(name, datum)| match datum {
            Datum::Remark(inner) => all(inner),
            _ => !["what", "remedy"].contains(&name),
        })
    }
    matches!(words, Words::Remark(remark) if all(remark))
}

/// Words, numbers, texts, signs and the space between: joined they are the text again.
fn tokens(text: &str) -> Vec<String> {
    let kind = |letter: char| match letter {
        letter if letter.is_alphanumeric() || letter == '_' => 0,
        letter if letter.is_whitespace() => 1,
        _ => 2,
    };
    let mut tokens: Vec<String> = Vec::new();
    let mut last = 2;
    for letter in text.chars() {
        let this = kind(letter);
        match tokens.last_mut() {
            Some(token) if this == last && this != 2 => token.push(letter),
            _ => tokens.push(letter.to_string()),
        }
        last = this;
    }
    tokens
}

/// A shipped rule after a few slips: words lost, doubled, exchanged, taken from another rule; the end cut off.
fn damaged() -> impl Strategy<Value = String> {
    let slip = (
        0..5_u8,
        any::<prop::sample::Index>(),
        any::<prop::sample::Index>(),
    );
    (0..SHIPPED.len(), prop::collection::vec(slip, 1..6)).prop_map(|(rule, slips)| {
        let all: Vec<String> = SHIPPED.iter().flat_map(|text| tokens(text)).collect();
        let mut words = tokens(SHIPPED[rule]);
        for (kind, one, other) in slips {
            if words.len() < 2 {
                break;
            }
            let (at, with) = (one.index(words.len()), other.index(words.len()));
            match kind {
                0 => words.swap(at, with),
                1 => words[at] = other.get(&all).clone(),
                2 => words.insert(at, words[with].clone()),
                3 => {
                    words.remove(at);
                }
                _ => words.truncate(words.len().saturating_sub(other.index(8))),
            }
        }
        words.concat()
    })
}

/// A handler put together of whole expressions, most of which make sense.
fn made_up() -> impl Strategy<Value = String> {
    let facts = [
        "r.value",
        "r.value.off_nominal",
        "r.value.deviation",
        "r.limit.far",
        "r.low",
        "r.low.total",
        "r.low.in_a_row",
        "r.low.pieces",
        "r.wear",
        "r.wear.signal",
        "r.wear.level",
        "r.wear.side",
        "r.wear.pattern",
        "r.wear.rate",
        "r.wear.left",
        "r.wear.left.low",
        "r.wear.points",
        "r.stratum",
        "r.strata.heat",
        "r.gauge.name",
        "r.gauge.healthy",
        "r.attempt",
        "r.late",
        "40.g",
        "1.5",
        "3",
        "()",
        "\"M1\"",
        "[1, 2]",
        "0..3",
        "r",
    ];
    let operators = [
        "<", "<=", ">", ">=", "==", "!=", "+", "-", "*", "/", "%", "&&", "||", "in",
    ];
    let fact = || prop::sample::select(facts.to_vec()).prop_map(str::to_owned);
    let expression = fact().prop_recursive(3, 12, 2, move |inner| {
        let operator = prop::sample::select(operators.to_vec());
        prop_oneof![
            (inner.clone(), operator, inner.clone())
                .prop_map(|(a, op, b)| format!("({a} {op} {b})")),
            inner.clone().prop_map(|of| format!("known({of})")),
            inner.clone().prop_map(|of| format!("!{of}")),
            inner.clone().prop_map(|of| format!("abs({of})")),
            inner.clone().prop_map(|of| format!("`${{{of}}}`")),
            (inner.clone(), inner.clone()).prop_map(|(a, b)| format!("min({a}, {b})")),
            (inner.clone(), inner).prop_map(|(a, b)| format!("{a}.contains({b})")),
        ]
    });
    let verdict = prop::sample::select(vec![
        "hold(`${X}`)",
        "hold_stratum(\"x\")",
        "advise(\"maintenance\", `${X}`)",
        "[recheck(\"x\"), remelt(\"y\")]",
        "for i in 0..X { accept(\"x\") }",
        "X",
        "return",
    ]);
    (expression.clone(), expression, verdict, any::<bool>()).prop_map(
        |(condition, of, verdict, behind)| {
            let said = verdict.replace('X', &of);
            // Behind a piece that is not tried, so that more of them load.
            let body = if behind {
                format!("if r.piece == \"P13\" {{ if {condition} {{ {said} }} }}")
            } else {
                format!("if {condition} {{ {said} }}")
            };
            format!(
                "rule(\"x\").at(\"s30\").of(\"mass\", \"g\").per(\"mould\").limit(\"far\", 40.g)\
                 .count(\"low\", below(1400.g), 10).chart(\"wear\", ewma(0.1), control_limit(3)).on_fault(\"hold\");\n\
                 fn reading(r) {{ {body} }}\n"
            )
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn a_damaged_rule_is_refused_or_answers(text in damaged(), on in occasion()) {
        ask(&text, &[on])?;
    }

    #[test]
    fn a_made_up_rule_is_refused_or_answers(text in made_up(), on in prop::collection::vec(occasion(), 3)) {
        ask(&text, &on)?;
    }

    #[test]
    fn a_shipped_rule_answers_whatever_it_is_asked(rule in 0..SHIPPED.len(), on in prop::collection::vec(occasion(), 4)) {
        prop_assert!(ask(SHIPPED[rule], &on)?, "a shipped rule loads");
    }
}

#[test]
fn nothing_a_rule_makes_grows_without_end() {
    let text = "let s = \"x\"; for i in 0..12 { s += s; }";
    let list = "let l = []; for i in 0..1000 { l.push(i); }";
    let check = |begin: &str, body: &str| {
        let rule = format!(
            "rule(\"x\").at(\"s30\").of(\"mass\", \"g\").on_fault(\"hold\");\n\
             fn reading(r) {{ {begin} {body} () }}\n"
        );
        let begin = Instant::now();
        let faults = Rules::load(&book(&[("a.rhai", &rule)]), &works())
            .err()
            .unwrap_or_else(|| panic!("{body}: it ends"));
        assert!(begin.elapsed() < LONG, "{body}");
        let said = lines(&faults);
        let bounded = [
            "used up its",
            "longer than",
            "a map of more than",
            "calls deep",
        ];
        assert!(
            bounded.iter().any(|words| said.contains(words)),
            "{body}: {said}"
        );
    };
    check(text, "s += s;");
    check(text, "let t = `${s}${s}`;");
    check(text, "let l = []; for i in 0..100000 { l.push(s + \"\"); }");
    check(
        text,
        "let l = [[]]; for i in 0..100000 { l[0].push(s + \"\"); }",
    );
    check(
        text,
        "let l = [#{a: [[]]}]; for i in 0..100000 { l[0].a[0].push(s + \"\"); }",
    );
    check(
        text,
        "let m = #{}; for i in 0..100000 { m[`k${i}`] = s.sub_string(i); }",
    );
    check(text, "for i in 0..100000 { let t = s.index_of(\"y\"); }");
    check("", "let l = [0]; for i in 0..100000 { l.push(l); }");
    check("", "let l = [0]; for i in 0..100000 { l = [l, #{a: l}]; }");
    check("", "let m = #{}; for i in 0..100000 { m = #{a: m, b: m}; }");
    check(list, "l += l;");
    check(list, "for i in 0..100000 { let k = l.contains(-1); }");
    check(
        list,
        "let k = l.map(|n| { let s = \"x\"; for j in 0..12 { s += s; } s });",
    );
}
