//! Bad rulebooks, and what is said of each, word for word. The message is what an author works from, so it is
//! held here as a whole: file, line, column, finding, remedy.
//!
//! Deliberately not here: rules that load.

use crate::rules::tests::{lines, load};

/// A header nothing is wrong with.
const HEADER: &str =
    r#"rule("x").at("s30").of("mass", "g").limit("gross", 40.g).on_fault("hold");"#;
/// A handler nothing is wrong with.
const HANDLER: &str = r#"fn reading(r) { if r.value.off_nominal > r.limit.gross { hold("x") } }"#;

fn check(text: &str, expect: &str) {
    let found = match load(&[("a.rhai", text)]) {
        Ok(_) => "loads".to_owned(),
        Err(faults) => lines(&faults),
    };
    assert_eq!(found, expect, "\n{text}\n");
}

/// A header beside a good handler.
fn header(header: &str, expect: &str) {
    check(
        &format!("{header}\nfn reading(r) {{ hold(\"x\") }}"),
        expect,
    );
}

/// A handler's body beside a good header.
fn body(body: &str, expect: &str) {
    check(&format!("{HEADER}\nfn reading(r) {{ {body} }}"), expect);
}

#[test]
fn the_good_halves_load() {
    check(&format!("{HEADER}\n{HANDLER}"), "loads");
}

#[test]
fn files() {
    let good = format!("{HEADER}\n{HANDLER}");
    let files = |files: &[(&str, &str)], expect: &str| {
        let found = load(files)
            .err()
            .map_or("loads".to_owned(), |faults| lines(&faults));
        assert_eq!(found, expect);
    };
    files(
        &[("notes.txt", &good)],
        "notes.txt: not the name of a rule: the files of a rulebook end in .rhai\n",
    );
    files(
        &[(".rhai", &good)],
        ".rhai: '' cannot name a rule: use letters, digits, - and _\n",
    );
    files(
        &[("a b.rhai", &good)],
        "a b.rhai: 'a b' cannot name a rule: use letters, digits, - and _\n",
    );
    files(
        &[("Mass.rhai", &good), ("mass.rhai", &good)],
        "mass.rhai: the name differs from Mass.rhai only in case, or not at all: give one of them another name\n",
    );
    let long = format!("{good}{}", " ".repeat(256 * 1024));
    let bytes = long.len();
    files(
        &[("a.rhai", &long)],
        &format!(
            "a.rhai: the file has {bytes} bytes, at most 262144 are read: make it several rules\n"
        ),
    );
    // All files at once.
    files(
        &[
            ("b.rhai", "fn"),
            ("a.rhai", "x"),
            ("c.rhai", &good),
            ("d.rhai", ""),
        ],
        "a.rhai:1:1: `x` is not known here: a function sees its own values only: declare a .limit in the header, or hand the value in\n\
         b.rhai:1:3: expecting function name in function declaration\n\
         d.rhai: the file has no rule: begin it with rule(\"…\").at(…).of(…).on_fault(…)\n\
         d.rhai: the rule has no handler: add fn reading(r) { … }\n",
    );
}

#[test]
fn headers() {
    header(
        r#"rule("x");"#,
        "a.rhai:1:1: the header has no `.at`: add .at(\"station\")\n\
         a.rhai:1:1: the header has no `.of`: add .of(\"characteristic\", \"unit\")\n\
         a.rhai:1:1: the header has no `.on_fault`: add .on_fault(\"hold\")\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g");"#,
        "a.rhai:1:1: the header has no `.on_fault`: add .on_fault(\"hold\")\n",
    );
    header(
        r#"rule(" ").at("s30").of("mass", "g").on_fault("hold");"#,
        "a.rhai:1:1: the rule does not say what it is for: write a sentence: rule(\"…\")\n",
    );
    header(
        r#"rule("x").at("s31").of("mass", "g").on_fault("hold");"#,
        "a.rhai:1:11: station 's31' is not in the plant description: did you mean s30\n",
    );
    header(
        r#"rule("x").at("oven").of("mass", "g").on_fault("stop");"#,
        "a.rhai:1:11: station 'oven' is not in the plant description: known: s30, s95\n\
         a.rhai:1:38: on a fault 'stop' is not known: write .on_fault(\"hold\") or .on_fault(\"alarm\")\n",
    );
    header(
        r#"rule("x").at("s30").of("mas", "g").on_fault("hold");"#,
        "a.rhai:1:21: no 'mas' is measured at s30: did you mean mass\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "kg").on_fault("hold");"#,
        "a.rhai:1:21: mass at s30 is in g, not in 'kg': write .of(\"mass\", \"g\")\n",
    );
    header(
        r#"rule("x").at("s95").of("concavity", "µm").on_fault("hold");"#,
        "a.rhai:1:21: unit 'µm' is written with a letter that has two codes: \
         rules write u for it: write .of(\"concavity\", \"um\")\n",
    );
    header(
        r#"rule(3).at(30).of("mass", "g").on_fault(true);"#,
        "a.rhai:1:1: the sentence of a rule is a text, found a whole number: write it in \"…\"\n\
         a.rhai:1:9: a station is a text, found a whole number: write it in \"…\"\n\
         a.rhai:1:32: what happens on a fault is a text, found a yes or no: write it in \"…\"\n",
    );
    header(
        r#"rule("x").at("s30").at("s95").of("mass", "g").on_fault("hold").on_fault("alarm");"#,
        "a.rhai:1:21: `.at` stands twice in the header: take one out\n\
         a.rhai:1:64: `.on_fault` stands twice in the header: take one out\n",
    );
    header(
        r#"rule("x").at("s30", "s95").of("mass").on_fault("hold");"#,
        "a.rhai:1:11: `.at` takes 1 value, found 2: write .at(\"station\")\n\
         a.rhai:1:28: `.of` takes 2 values, found 1: write .of(\"characteristic\", \"unit\")\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g").limt("gross", 40.g).on_fault("hold");"#,
        "a.rhai:1:37: `.limt` is no word of a header: did you mean limit\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g").on_fault(hold("x"));"#,
        "a.rhai:1:37: what happens on a fault is a text, found a verdict: write it in \"…\"\n\
         a.rhai:1:46: `hold` has no place in a header: a header only declares\n",
    );
}

#[test]
fn words_of_parts_that_do_not_exist_yet() {
    header(
        r#"rule("x").at("s31").of("mass", "g").per("mould").count("low", below(2.50.um), 10).on_fault("hold");"#,
        "a.rhai:1:11: station 's31' is not in the plant description: did you mean s30\n\
         a.rhai:1:37: `per` is not in this version\n\
         a.rhai:1:50: `count` is not in this version\n\
         a.rhai:1:63: `below` is not in this version\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g").chart("wear", ewma(0.1), one_false_alarm_in(20000.points)).on_fault("hold");"#,
        "a.rhai:1:37: `chart` is not in this version\n\
         a.rhai:1:51: `ewma` is not in this version\n\
         a.rhai:1:62: `one_false_alarm_in` is not in this version\n\
         a.rhai:1:87: `points` is not in this version\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g").alarm("a").priority("high").owner("o").response("r").on_fault("hold");"#,
        "a.rhai:1:37: `alarm` is not in this version\n\
         a.rhai:1:48: `priority` is not in this version\n\
         a.rhai:1:65: `owner` is not in this version\n\
         a.rhai:1:76: `response` is not in this version\n",
    );
    body(
        r#"[hold_station("x"), hold("x").back_to("last-good"), advise("a", "x"), alarm("a", "x"), proven("x")]"#,
        "a.rhai:2:18: `hold_station` is not in this version\n\
         a.rhai:2:47: `back_to` is not in this version\n\
         a.rhai:2:69: `advise` is not in this version\n\
         a.rhai:2:87: `alarm` is not in this version\n\
         a.rhai:2:104: `proven` is not in this version\n",
    );
    check(
        &format!("{HEADER}\nfn passing(p) {{ }}\nfn trial(t) {{ }}\nfn event(e) {{ }}"),
        "a.rhai:2:1: handler `passing` is not in this version\n\
         a.rhai:3:1: handler `trial` is not in this version\n\
         a.rhai:4:1: handler `event` is not in this version\n",
    );
}

#[test]
fn limits() {
    let limit = |given: &str, expect: &str| {
        let text = format!(r#"rule("x").at("s30").of("mass", "g"){given}.on_fault("hold");"#);
        header(&text, expect);
    };
    limit(
        r#".limit("gross", 40.kg)"#,
        "a.rhai:1:37: limit 'gross' is in kg, mass at s30 is in g: write 40000.g\n",
    );
    limit(
        r#".limit("gross", 2.50.um)"#,
        "a.rhai:1:37: limit 'gross' is in um, mass at s30 is in g: write it in g\n",
    );
    limit(
        r#".limit("gross", 40)"#,
        "a.rhai:1:37: limit 'gross' is a whole number, wanted a quantity: write 40.g\n",
    );
    limit(
        r#".limit("gross", -2.5)"#,
        "a.rhai:1:37: limit 'gross' is a number with a point, wanted a quantity: write -2.5.g\n",
    );
    limit(
        r#".limit("gross", "40 g")"#,
        "a.rhai:1:37: limit 'gross' is a text, wanted a quantity: write 40.g\n",
    );
    limit(
        r#".limit("gross", 40.05.g)"#,
        "a.rhai:1:37: limit 'gross': 40.05 g is finer than mass at s30 is counted: in steps of 0.1 g: write 40.g\n",
    );
    limit(
        r#".limit("value", 40.g)"#,
        "a.rhai:1:37: limit 'value' has the name of a fact: give it another name\n",
    );
    limit(
        r#".limit("far off", 40.g)"#,
        "a.rhai:1:37: 'far off' cannot be written as r.limit.far off: name a limit with letters, digits and _\n",
    );
    limit(
        r#".limit("a", 40.g).limit("a", 50.g)"#,
        "a.rhai:1:54: limit 'a' is declared twice: give one of them another name\n",
    );
    limit(
        r#".limit("gross", 40.grams)"#,
        "a.rhai:1:55: `grams` is no unit\n",
    );
    limit(
        r#".limit("gross", 40.gg)"#,
        "a.rhai:1:55: `gg` is no unit: did you mean g\n",
    );
    limit(
        r#".limit("gross", 40.µm)"#,
        "a.rhai:1:55: 'µ' is a letter with two codes: rules write u for it: um\n",
    );
}

#[test]
fn the_shape_of_a_file() {
    check(
        &format!("{HANDLER}\n{HEADER}"),
        "a.rhai:1:1: `fn reading` stands before the header: begin the file with the header\n",
    );
    check(
        &format!("{HEADER}\n{HEADER}\n{HANDLER}"),
        "a.rhai:2:1: a second rule in this file: one file is one rule: make it two\n",
    );
    check(
        HANDLER,
        "a.rhai: the file has no rule: begin it with rule(\"…\").at(…).of(…).on_fault(…)\n",
    );
    check(
        HEADER,
        "a.rhai: the rule has no handler: add fn reading(r) { … }\n",
    );
    check(
        &format!("{HEADER}\nconst FAR = 40.g;\n{HANDLER}"),
        "a.rhai:2:1: `FAR` is declared outside the functions, which do not see it: \
         declare a .limit in the header, or the value inside the function\n",
    );
    check(
        &format!(
            "{HEADER}\nconst FAR = 40.g;\nfn reading(r) {{ if r.value > FAR {{ hold(\"x\") }} }}"
        ),
        "a.rhai:3:30: `FAR` is not known here: a function sees its own values only: \
         declare a .limit in the header, or hand the value in\n",
    );
    check(
        &format!("{HEADER}\nif true {{ 1 }}\n{HANDLER}"),
        "a.rhai:2:1: only the header may stand outside the functions: move it into the handler\n",
    );
    check(
        &format!("{HEADER}\nfn raeding(r) {{ hold(\"x\") }}"),
        "a.rhai:2:1: `fn raeding` is no handler and is never called: did you mean reading\n",
    );
    check(
        &format!("{HEADER}\n{HANDLER}\n  fn helper(x) {{ x }}"),
        "a.rhai:3:3: `fn helper` is no handler and is never called: call it or take it out\n",
    );
    check(
        &format!("{HEADER}\nfn reading(r) {{ hold(r) }}\nfn hold(x) {{ x }}"),
        "a.rhai:3:1: `fn hold` would replace the word `hold`: give it another name\n",
    );
    check(
        &format!("{HEADER}\nfn reading(r, s) {{ hold(\"x\") }}"),
        "a.rhai:2:1: `fn reading` takes 2 values, a handler takes 1: write fn reading(r)\n",
    );
    check(
        &format!("{HEADER}\nfn reading(r) {{ far(r, 1) }}\nfn far(x) {{ hold(\"x\") }}"),
        "a.rhai:2:17: `far` takes 1 value, found 2: call it as it is declared\n",
    );
    check(
        "rule(\"x\"",
        "a.rhai:1:9: expecting ')' to close the arguments list of this function call 'rule'\n",
    );
}

#[test]
fn names_in_a_handler() {
    body(
        r#"if r.late { remlt("x") }"#,
        "a.rhai:2:29: `remlt` is not known: did you mean remelt\n",
    );
    body(
        r#"if false { sleep(2); frobnicate() }"#,
        "a.rhai:2:28: `sleep` is not known\na.rhai:2:38: `frobnicate` is not known\n",
    );
    body(
        r#"release("x")"#,
        "a.rhai:2:17: `release` is not a rule's to say: a rule asks, it does not release\n",
    );
    body(
        r#"unevaluated("x")"#,
        "a.rhai:2:17: `unevaluated` is not a rule's to say: a rule asks, it does not release\n",
    );
    body(
        r#"rule("x")"#,
        "a.rhai:2:17: `rule` belongs in the header: take it out of the handler\n",
    );
    body(
        r#"if false { hold(`${r.valeu}`) }"#,
        "a.rhai:2:38: `valeu` is no fact of a reading: did you mean value\n",
    );
    body(
        r#"if false { hold(`${r.value.of_nominal}`) }"#,
        "a.rhai:2:44: `of_nominal` is no fact of the value: did you mean off_nominal\n",
    );
    body(
        r#"if r.limit.gros > 1.g { hold("x") }"#,
        "a.rhai:2:28: no limit 'gros' is declared: did you mean gross\n",
    );
    body(
        r#"if r.gauge.helthy { hold("x") }"#,
        "a.rhai:2:28: `helthy` is no fact of the gauge: did you mean healthy\n",
    );
    body(
        r#"if known(r.strata.mold) { hold("x") }"#,
        "a.rhai:2:35: stratum 'mold' is not in the plant description: did you mean mould\n",
    );
    body(
        r#"if r.value > 40.gramm { hold("x") }"#,
        "a.rhai:2:33: `gramm` is no unit\n",
    );
    body(
        r#"while true { }"#,
        "a.rhai:2:17: `while` is not part of the rule language: write for … in\n",
    );
    body(
        r#"switch r.value { _ => 1 }"#,
        "a.rhai:2:17: `switch` is not part of the rule language: write if … else\n",
    );
    check(
        "rule(\"x\").at(\"s95\").of(\"concavity\", \"um\").on_fault(\"hold\");\nfn reading(r) { if r.stratum == () { hold(\"x\") } }",
        "a.rhai:2:22: concavity at s95 is not kept per stratum, so there is no r.stratum: \
         give the characteristic a `per` in the plant description, or ask r.strata\n",
    );
}

#[test]
fn what_a_trial_run_shows() {
    body(
        r#"if r.value > 40 { hold("x") }"#,
        "a.rhai:2:28: `>` compares a quantity with a whole number: write 40.g\n",
    );
    body(
        r#"if r.value.off_nominal > 40.kg { hold("x") }"#,
        "a.rhai:2:40: 40 kg is in kg, mass at s30 is in g: write 40000.g\n",
    );
    body(
        r#"if r.value > 1450.05.g { hold("x") }"#,
        "a.rhai:2:28: 1450.05 g is finer than mass at s30 is counted: in steps of 0.1 g: write 1450.g\n",
    );
    // Only behind an `if` that is taken far off nominal, and only on a sick gauge.
    body(
        r#"if r.value.off_nominal > r.limit.gross { if !r.gauge.healthy { hold(3) } }"#,
        "a.rhai:2:80: `hold` was given a whole number as its reason: write hold(\"why\")\n",
    );
    body(
        r#"if r.late { hold("x") } if r.value > 1450.g { remelt("x") }"#,
        "a.rhai:2:29: `hold` at 2:29 was made but not returned: put both in a list\n",
    );
    body(
        r#"if r.stratum == "M1" { hold("x") }"#,
        "a.rhai:2:30: `==` compares a fact that is not known with a text: ask known(…) first\n",
    );
    body(
        r#"if r.strata.mould == "M2" { 3 }"#,
        "a.rhai: `reading` returned a whole number: return one verdict, a list of verdicts, or nothing\n",
    );
    body(
        r#"r.value > r.limit.gross"#,
        "a.rhai: `reading` returned a yes or no: return one verdict, a list of verdicts, or nothing\n",
    );
    body(
        r#"for i in 0..1000000 { }"#,
        "a.rhai: `reading` used up its 100000 operations: it runs too long: look for a `for` over too much\n",
    );
    body(
        r#"hold("x").class("food")"#,
        "a.rhai:2:27: class 'food' is not in the plant description: known: process-minor\n",
    );
    check(
        "rule(\"x\").at(\"s95\").of(\"concavity\", \"um\").on_fault(\"hold\");\nfn reading(r) { if r.value.deviation > 1.um { hold(\"x\") } }",
        "a.rhai:2:28: concavity at s95 has no nominal: \
         give it one in the plant description, or compare r.value with a limit\n",
    );
}
