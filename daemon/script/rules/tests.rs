//! Rules loaded and asked, and rulebooks refused.

mod products;

use super::*;
use crate::declared::Kind;
use crate::quantity::Quantity;
use crate::quantity::tests::mass;
use chargehand_core::{
    Asks, ByProduct, CharacteristicName, Condition, LineDescription, Of, Owners, Requests, Role,
    Span, StationName, Stratum, Word,
};
use chargehand_measure::{Decimal, Scale, Unit};
use chargehand_words::say;
use proptest::prelude::*;

/// The shipped rule, as it stands in the repository.
const MASS_MISS: &str = include_str!("../../../rules/mass-miss.rhai");

/// Mass, 1450 g in steps of 0.1 g, at a station of castings and at one of ground pieces.
pub(crate) fn plant() -> Plant {
    let line = LineDescription {
        base: "works/floor/line".into(),
        zone: "Etc/UTC".into(),
        takt: Some(Span::from_secs(24)),
        rules: "rules".into(),
        requests: Requests::Claimed,
        skew: Span::from_secs(300),
        quiet: Span::from_secs(600),
        valid: Span::from_secs(10),
        pieces_kept: 1000,
    };
    let stratum = |name: &str, values: &[&str]| Stratum {
        name: name.into(),
        values: values.iter().map(|&value| value.to_owned()).collect(),
    };
    Plant {
        line,
        products: Vec::new(),
        strata: vec![stratum("mould", &["M1", "M2"]), stratum("heat", &[])],
        stations: vec![
            station(
                "s30",
                Condition::AsCast,
                vec![characteristic("mass", "g", 1, Some("mould"))],
            ),
            station(
                "s95",
                Condition::Ground,
                vec![
                    characteristic("concavity", "um", 0, None),
                    characteristic("moisture", "%", 1, None),
                ],
            ),
        ],
        gauges: Vec::new(),
        roles: vec![Role {
            name: "maintenance".into(),
            may: Vec::new(),
        }],
        persons: Vec::new(),
        owners: Owners::default(),
        classes: Vec::new(),
        routes_legal: BTreeMap::from([
            (
                Condition::AsCast,
                ByProduct::All(BTreeSet::from([Word::Remelt, Word::Scrap])),
            ),
            (
                Condition::Ground,
                ByProduct::All(BTreeSet::from([Word::Rework, Word::Regrade, Word::Scrap])),
            ),
        ]),
        lanes: BTreeMap::new(),
        without_effect: Vec::new(),
    }
}

fn station(name: &str, condition: Condition, characteristics: Vec<Characteristic>) -> Station {
    let name = StationName::from(name);
    Station {
        name,
        place: 0,
        condition,
        gate: None,
        characteristics,
        topics: Vec::new(),
        observe: false,
    }
}

fn characteristic(name: &str, unit: &str, decimals: u32, per: Option<&str>) -> Characteristic {
    let unit = Unit::parse(unit).expect("a unit");
    Characteristic {
        name: CharacteristicName::from(name),
        scale: Scale::new(unit, Decimal::new(1, decimals)).expect("a scale"),
        aims: ByProduct::All(Aims {
            nominal: (name == "mass").then_some(14_500),
            lower: (name == "mass").then_some(14_250),
            upper: (name == "mass").then_some(14_750),
            plausible: (name == "mass").then_some((2_000, 30_000)),
            centre: None,
            sigma: (name == "mass").then(|| Decimal::new(505, 2)),
            every: if name == "moisture" { 9 } else { 1 },
        }),
        of: Of::Piece,
        per: per.map(StratumName::from),
        gauge: (name == "mass").then(|| GaugeName::from("lc-1")),
    }
}

pub(crate) fn declared() -> Rc<Declared> {
    Rc::new(Declared {
        subject: mass(),
        limits: BTreeMap::from([
            (
                "gross".to_owned(),
                Limit::One(Quantity::counted(400, &mass())),
            ),
            (
                "band".to_owned(),
                Limit::Band(
                    Quantity::counted(10, &mass()),
                    Quantity::counted(20, &mass()),
                ),
            ),
        ]),
        watches: vec![
            ("low".to_owned(), Kind::Counter),
            ("wear".to_owned(), Kind::Chart),
        ],
        alarms: BTreeMap::new(),
        apart: None,
        per: Some("mould".into()),
        strata: vec!["mould".into()],
        products: Vec::new(),
    })
}

pub(crate) fn shown() -> Vec<Shown> {
    vec![
        Shown::Counter(Count {
            total: 3,
            in_a_row: 2,
            pieces: 10,
        }),
        Shown::Chart(Drift {
            level: Some(14_523),
            signal: true,
            points: 40,
            side: Some(Side::Above),
            pattern: None,
            ahead: Some(ahead(Some(15_000))),
        }),
    ]
}

/// Facts of a mass reading at s30, of piece P13 from mould M1 on a healthy gauge.
pub(crate) fn with_facts<T>(plant: &Plant, value: i64, ask: impl FnOnce(&Facts<'_>) -> T) -> T {
    let station = plant.station("s30").expect("a station");
    let strata = BTreeMap::from([(StratumName::from("mould"), "M1".to_owned())]);
    ask(&Facts {
        station,
        characteristic: station.characteristic("mass").expect("a characteristic"),
        value,
        piece: &"P13".into(),
        product: None,
        strata: &strata,
        gauge: Some(&"lc-1".into()),
        gauge_healthy: true,
        attempt: 1,
        late: false,
        watches: &[],
    })
}

pub(crate) fn book(files: &[(&str, &str)]) -> Rulebook {
    let source = |&(file, text): &(&str, &str)| Source {
        file: file.into(),
        text: text.into(),
    };
    Rulebook::of(files.iter().map(source).collect())
}

pub(crate) fn load(files: &[(&str, &str)]) -> Result<Rules, Vec<LoadFault>> {
    Rules::load(&book(files), &plant())
}

/// A rule at s30 with this handler body, beside nothing else.
fn rule(body: &str) -> String {
    format!(
        "rule(\"x\").at(\"s30\").of(\"mass\", \"g\").limit(\"gross\", 40.g).on_fault(\"alarm\");\n\
             fn reading(r) {{ {body} }}\n"
    )
}

fn loaded(text: &str) -> Rules {
    load(&[("a.rhai", text)]).unwrap_or_else(|faults| panic!("{text}\n{}", lines(&faults)))
}

pub(crate) fn lines(faults: &[LoadFault]) -> String {
    faults.iter().map(|fault| format!("{fault}\n")).collect()
}

/// What a rulebook of one rule says, one line a verdict.
fn said(opinions: &[Opinion]) -> String {
    let [opinion] = opinions else {
        panic!("one rule, one opinion: {opinions:?}")
    };
    match &opinion.said {
        Ok(verdicts) => verdicts
            .iter()
            .map(|verdict| {
                let class = match &verdict.asks {
                    Asks::Hold(_, Some(class)) => format!(" [{class}]"),
                    _ => String::new(),
                };
                format!("{} {}{class}\n", verdict.asks.verb(), verdict.text)
            })
            .collect(),
        Err(fault) => format!("{:?}: {}\n", fault.fallback, say(&fault.text)),
    }
}

#[test]
fn gross_misses_go_back_to_the_melt() {
    let mut rules = load(&[("mass-miss.rhai", MASS_MISS)])
        .unwrap_or_else(|faults| panic!("{}", lines(&faults)));
    assert_eq!(
        lines(rules.remarks()),
        "mass-miss.rhai:8:9: `remelt` cannot be done: no gate stands at s30 or after it: \
         the piece is held instead, until the plant description has a gate\n"
    );
    assert_eq!(
        rules.names().map(RuleName::as_str).collect::<Vec<_>>(),
        ["mass-miss"]
    );
    let plant = plant();
    let mut check = |value, expect: &str| {
        let opinions = with_facts(&plant, value, |facts| rules.judge(facts));
        assert_eq!(said(&opinions), expect, "{value}");
    };
    check(14_500, "");
    // Exactly at the limit is inside it.
    check(14_100, "");
    check(14_900, "");
    check(14_099, "remelt mass 1409.9 g is 40.1 g off nominal\n");
    check(14_901, "remelt mass 1490.1 g is 40.1 g off nominal\n");
    check(13_801, "remelt mass 1380.1 g is 69.9 g off nominal\n");
}

#[test]
fn an_empty_rulebook_is_legal_and_says_nothing() {
    let mut rules = load(&[]).unwrap_or_else(|faults| panic!("{}", lines(&faults)));
    assert_eq!(with_facts(&plant(), 14_500, |facts| rules.judge(facts)), []);
}

#[test]
fn rules_answer_for_their_own_characteristic_in_order_of_file() {
    let other = "rule(\"x\").at(\"s95\").of(\"concavity\", \"um\").on_fault(\"hold\"); fn reading(r) { hold(\"x\") }";
    let hold = rule("hold(\"x\")");
    let mut rules = load(&[("b.rhai", &hold), ("c.rhai", other), ("a.rhai", &hold)])
        .unwrap_or_else(|faults| panic!("{}", lines(&faults)));
    let opinions = with_facts(&plant(), 14_500, |facts| rules.judge(facts));
    assert_eq!(
        opinions
            .iter()
            .map(|opinion| opinion.rule.as_str())
            .collect::<Vec<_>>(),
        ["a", "b"]
    );
}

#[test]
fn a_rule_sees_the_facts_and_says_verdicts() {
    let check = |body: &str, expect: &str| {
        let mut rules = loaded(&rule(body));
        assert_eq!(
            said(&with_facts(&plant(), 13_801, |facts| rules.judge(facts))),
            expect,
            "{body}"
        );
    };
    check("", "");
    check("[]", "");
    check("accept(\"fine\")", "accept fine\n");
    check(
        "[hold(\"a\"), recheck(\"b\"), rework(\"c\"), regrade(\"d\"), scrap(\"e\"), remelt(\"f\")]",
        "hold a\nrecheck b\nrework c\nregrade d\nscrap e\nremelt f\n",
    );
    check(
        "hold(\"a\").class(\"process-minor\")",
        "hold a [process-minor]\n",
    );
    check(
        "let h = hold(\"a\"); h.class(\"process-minor\"); h",
        "hold a [process-minor]\n",
    );
    check("let h = hold(\"a\"); [h, h]", "hold a\n");
    check(
        "if r.late { return scrap(\"late\"); } hold(\"in time\")",
        "hold in time\n",
    );
    check(
        "hold(`${r.piece} ${r.station} ${r.attempt} ${r.late}`)",
        "hold P13 s30 1 false\n",
    );
    check(
        "hold(`${r.value} ${r.value.deviation} ${r.value.off_nominal}`)",
        "hold 1380.1 g -69.9 g 69.9 g\n",
    );
    check(
        "hold(`${r.gauge.name} ${r.gauge.healthy} ${r.limit.gross}`)",
        "hold lc-1 true 40.0 g\n",
    );
    check(
        "hold(`${r.stratum} ${r.strata.mould} ${r.strata.heat}`)",
        "hold M1 M1 not known\n",
    );
    check(
        "if r.strata.heat == () && known(r.stratum) { hold(\"heat?\") }",
        "hold heat?\n",
    );
    check("if r.value < 1400.g { hold(\"light\") }", "hold light\n");
    check(
        "if r.value.off_nominal / r.limit.gross > 1.5 { hold(\"far\") }",
        "hold far\n",
    );
    check(
        "if r.value.deviation < -r.limit.gross { hold(\"light\") }",
        "hold light\n",
    );
    check(
        "if r.piece in [\"P12\", \"P13\"] { hold(\"named\") }",
        "hold named\n",
    );
    check(
        "let out = []; for i in 0..2 { out.push(hold(`${i}`)); } out",
        "hold 0\nhold 1\n",
    );
    check(
        "let far = [10.g, 50.g].filter(|x| x > 40.g); hold(`${far.len()}`)",
        "hold 1\n",
    );
}

#[test]
fn a_fault_at_run_time_is_said_and_the_engine_stays_usable() {
    // Each rule goes wrong for one piece only, so that it loads.
    let check = |body: &str, expect: &str| {
        let text = rule(&format!("if r.piece == \"P13\" {{ {body} }}"));
        let mut rules = loaded(&text);
        let plant = plant();
        let bad = with_facts(&plant, 14_500, |facts| rules.judge(facts));
        assert_eq!(said(&bad), format!("Alarm: a.rhai{expect}\n"), "{body}");
        let other = "P14".into();
        let good = with_facts(&plant, 14_500, |facts| {
            rules.judge(&Facts {
                piece: &other,
                ..*facts
            })
        });
        assert_eq!(said(&good), "", "{body}");
        assert_eq!(
            with_facts(&plant, 14_500, |facts| rules.judge(facts)),
            bad,
            "{body}"
        );
    };
    check(
        "hold(\"a\"); remelt(\"b\")",
        ":2:39: `hold` at 2:39 was made but not returned: put both in a list",
    );
    check(
        "if true { remelt(\"b\") } if false { hold(\"a\") }",
        ":2:49: `remelt` at 2:49 was made but not returned: return it, or several in a list",
    );
    check(
        "let h = hold(\"b\"); ()",
        ":2:47: `hold` at 2:47 was made but not returned: return it, or several in a list",
    );
    check(
        "42",
        ":2:39: `reading` returned a whole number: return one verdict, a list of verdicts, or nothing",
    );
    check(
        "r.late",
        ":2:1: `reading` returned a yes or no: return one verdict, a list of verdicts, or nothing",
    );
    check(
        "\"hold\"",
        ":2:39: `reading` returned a text: return one verdict, a list of verdicts, or nothing",
    );
    check(
        "r.value",
        ":2:1: `reading` returned a quantity: return one verdict, a list of verdicts, or nothing",
    );
    check(
        "[[hold(\"a\")]]",
        ":2:1: `reading` returned a list holding a list: return one verdict, a list of verdicts, or nothing",
    );
    check(
        "[hold(\"a\"), ()]",
        ":2:1: `reading` returned a list holding nothing: return one verdict, a list of verdicts, or nothing",
    );
    check(
        "remelt()",
        ":2:39: `remelt` has no reason: write remelt(\"why\")",
    );
    check(
        "remelt(\" \")",
        ":2:39: `remelt` has no reason: write remelt(\"why\")",
    );
    check(
        "remelt(r.value)",
        ":2:39: `remelt` was given a quantity as its reason: write remelt(\"why\")",
    );
    check(
        "remelt(\"a\").class(\"process-minor\")",
        ":2:51: `remelt` has no class: only a hold has one",
    );
    check(
        "hold(\"a\").class(\"proces-minor\")",
        ":2:49: class 'proces-minor' is not in the plant description: did you mean process-minor",
    );
    check(
        "if r.value > 40 { hold(\"a\") }",
        ":2:50: `>` compares a quantity with a whole number: write 40.g",
    );
    check(
        "if r.value > 40.kg { hold(\"a\") }",
        ":2:50: 40 kg is in kg, mass at s30 is in g: write 40000.g",
    );
    check(
        "if r.value { hold(\"a\") }",
        ":2:43: found a quantity, wanted a yes or no: write a comparison",
    );
    check(
        "r.value = 3.g",
        ":2:41: `value` cannot be set: facts and values are read-only",
    );
    check(
        "for i in 0..1000000 { }",
        ": `reading` used up its 100000 operations: it runs too long: look for a `for` over too much",
    );
    check(
        "let a = \"ab\"; for i in 0..99 { a += a; }",
        ": `reading` made a text longer than 4096 bytes: look for one that grows in a `for`",
    );
    check(
        "break_down()",
        ": `reading` met a fault of the program itself: a fault of the program itself: report it with this rule",
    );
}

#[test]
fn a_fault_in_a_function_of_the_script_is_said_where_it_stands() {
    let text = rule("if r.piece == \"P13\" { far(r.value) }")
        + "fn far(x) {\n  if x > 40 { hold(\"a\") }\n}\n";
    let mut rules = loaded(&text);
    let opinions = with_facts(&plant(), 14_500, |facts| rules.judge(facts));
    assert_eq!(
        said(&opinions),
        "Alarm: a.rhai:4:8: `>` compares a quantity with a whole number: write 40.g\n"
    );
}

#[test]
fn one_rules_fault_is_no_other_rules_business() {
    let faulty = rule("if r.piece == \"P13\" { break_down() }").replace("\"alarm\"", "\"hold\"");
    let fine = rule("hold(\"x\")");
    let mut rules = load(&[("a.rhai", &faulty), ("b.rhai", &fine)])
        .unwrap_or_else(|faults| panic!("{}", lines(&faults)));
    let opinions = with_facts(&plant(), 14_500, |facts| rules.judge(facts));
    assert_eq!(
        opinions[0].said.as_ref().map_err(|fault| fault.fallback),
        Err(Fallback::Hold)
    );
    assert_eq!(said(&opinions[1..]), "hold x\n");
}

#[test]
fn equal_facts_give_equal_opinions_whatever_came_between() {
    let body =
        "let n = 0; for i in 0..50 { n += i; } if r.value > 1450.g { hold(`${n} ${r.value}`) }";
    let (mut rules, mut fresh, plant) = (loaded(&rule(body)), loaded(&rule(body)), plant());
    let ask = |rules: &mut Rules, value| with_facts(&plant, value, |facts| rules.judge(facts));
    let first = ask(&mut rules, 14_501);
    ask(&mut rules, 2_000);
    assert_eq!(ask(&mut rules, 14_501), first);
    assert_eq!(ask(&mut fresh, 14_501), first);
}

#[test]
fn what_is_doubtful_loads_and_is_said() {
    let check =
        |text: &str, expect: &str| assert_eq!(lines(loaded(text).remarks()), expect, "{text}");
    check(
        &rule("remelt(\"x\")"),
        "a.rhai:2:17: `remelt` cannot be done: no gate stands at s30 or after it: \
         the piece is held instead, until the plant description has a gate\n",
    );
    check(
        &rule("if known(r.stratum) && r.stratum == \"M9\" { hold(\"x\") }"),
        "a.rhai:2:50: mould is compared with 'M9', which it never is: its values are M1, M2\n",
    );
    check(
        &rule("if known(r.strata.heat) && r.strata.heat == \"H1\" { hold(\"x\") }"),
        "",
    );
    check(
        &rule("if r.value / r.limit.gross == 1.5 { hold(\"x\") }"),
        "a.rhai:2:44: `==` of two numbers with a point is exact to the last bit: compare with < or >, or compare quantities\n",
    );
}

#[test]
fn files_of_every_machine_are_read() {
    let text = rule("hold(\"x\")");
    let marked = format!("\u{feff}{text}");
    for text in [
        &text,
        &marked,
        &text.replace('\n', "\r\n"),
        &format!("// a comment\n\n{text}"),
    ] {
        let mut rules = loaded(text);
        assert_eq!(
            said(&with_facts(&plant(), 14_500, |facts| rules.judge(facts))),
            "hold x\n"
        );
    }
}

#[test]
fn a_percentage_can_be_written() {
    let text = "rule(\"x\").at(\"s95\").of(\"moisture\", \"%\").limit(\"wet\", 2.5.percent).on_fault(\"hold\");\n\
                    fn reading(r) { if r.value > r.limit.wet { hold(`${r.value}`) } }";
    assert_eq!(lines(loaded(text).remarks()), "");
}

#[test]
fn nesting_without_end_is_a_fault_and_not_the_end_of_the_process() {
    // Each is within the size of a file; the depth is what a parser and its tree must survive.
    let count = 60_000;
    let wrap = |open: &str, middle: &str, close: &str| {
        rule(&format!(
            "{}{middle}{}",
            open.repeat(count),
            close.repeat(count)
        ))
    };
    for text in [
        wrap("(", "1", ")"),
        wrap("[", "1", "]"),
        wrap("{", "1", "}"),
        wrap("!", "true", ""),
        wrap("-", "1", ""),
        wrap("1+", "1", ""),
        wrap("r.", "r", ""),
        wrap("r", ".a", "[0]"),
        wrap("", "r", ".a"),
        wrap("true&&", "true", ""),
        wrap("1;", "", ""),
        wrap("f(", "1", ")"),
        rule(&format!(
            "if true {{}}{}",
            " else if true {}".repeat(15_000)
        )),
        rule(&"if true {".repeat(20_000)),
        rule(&"`${".repeat(60_000)),
        rule(&"|x| ".repeat(60_000)),
        format!("rule(\"x\"){}", ".at(\"s30\")".repeat(20_000)),
    ] {
        // Whether it loads is not the point; that this returns is.
        let _ = load(&[("a.rhai", &text)])
            .map(|mut rules| with_facts(&plant(), 14_500, |facts| rules.judge(facts)));
    }
}

#[test]
fn the_deepest_legal_call_fits_a_threads_stack() {
    // Every limit reached at once: a function that calls itself to the last level, from as deep inside an
    // expression as the parser allows. A test's thread has as little stack as any other.
    let deepest = |open: &str, close: &str| {
        let nested = |depth: usize| {
            let inside = format!("{}f(n + 1){}", open.repeat(depth), close.repeat(depth));
            let body = rule("if r.piece == \"P13\" { f(0) }");
            format!("{body}fn f(n) {{ {inside} }}\n")
        };
        let depth = (1..64)
            .rev()
            .find(|&depth| load(&[("a.rhai", &nested(depth))]).is_ok());
        let depth = depth.expect("some depth is legal");
        let mut rules = loaded(&nested(depth));
        said(&with_facts(&plant(), 14_500, |facts| rules.judge(facts)))
    };
    for (open, close) in [
        ("1 + (", ")"),
        ("abs(", ")"),
        ("[", "]"),
        ("{", "}"),
        ("if true { ", " }"),
        ("for i in 0..1 { ", " }"),
        ("`${", "}`"),
        ("[1].map(|n| ", ")"),
        ("let a = { ", " };"),
        ("true && (", ")"),
    ] {
        let text = deepest(open, close);
        assert!(
            text.contains("went more than 32 calls deep"),
            "{open}: {text}"
        );
    }
}

/// Pieces of the language in any order: more of them parse than of random letters.
fn scrap_of_script() -> impl Strategy<Value = String> {
    let words = [
        "rule",
        "(",
        ")",
        "\"x\"",
        ".at",
        ".of",
        ".limit",
        ".on_fault",
        ";",
        "fn",
        "reading",
        "r",
        "{",
        "}",
        "if",
        "else",
        ".value",
        ".limit",
        ".gross",
        ".off_nominal",
        ">",
        "==",
        "()",
        "40",
        ".g",
        ".kg",
        "2.5",
        "+",
        "/",
        "hold",
        "remelt",
        "[",
        "]",
        ",",
        "let",
        "a",
        "=",
        "for",
        "in",
        "0..3",
        "return",
        "`",
        "${",
        "|",
        "#{",
        "-",
        "known",
        "push",
        ".",
        "true",
        "!",
        "\n",
        "const",
        "//",
        "this",
        "call",
        "type_of",
        "as",
        "is_def_fn",
    ];
    prop::collection::vec(prop::sample::select(words.to_vec()), 0..40)
        .prop_map(|words| words.join(" "))
}

proptest! {
    #[test]
    fn no_text_is_too_strange_to_be_refused(text in any::<String>()) {
        let _ = load(&[("a.rhai", &text)]);
    }

    #[test]
    fn no_handler_is_too_strange_to_be_asked(body in scrap_of_script(), value in any::<i64>()) {
        for text in [rule(&body), body] {
            if let Ok(mut rules) = load(&[("a.rhai", &text)]) {
                with_facts(&plant(), value, |facts| rules.judge(facts));
            }
        }
    }
}
