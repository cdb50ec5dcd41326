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
        "a.rhai:1:1: `x` is not known here: write a text as \"x\"\n\
         b.rhai:1:3: wanted function name in function declaration\n\
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
         a.rhai:1:1: the header has no `.on_fault`: add .on_fault(\"hold\") or .on_fault(\"alarm\")\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g");"#,
        "a.rhai:1:1: the header has no `.on_fault`: add .on_fault(\"hold\") or .on_fault(\"alarm\")\n",
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
         a.rhai:1:38: 'stop' is nothing that happens on a fault: write .on_fault(\"hold\") or .on_fault(\"alarm\")\n",
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
        "a.rhai:1:21: `.at` stands twice in the header: a rule sees one characteristic of one station: make it two rules, a file each\n\
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
        r#"rule("x").at("s31").of("mass", "g").gap("unchecked", 40).trial("a", after("s90", "adjusted"), 5).on_fault("hold");"#,
        "a.rhai:1:11: station 's31' is not in the plant description: did you mean s30\n\
         a.rhai:1:37: `gap` is not in this version\n\
         a.rhai:1:58: `trial` is not in this version\n\
         a.rhai:1:69: `after` is not in this version\n",
    );
    body(
        r#"[hold("x").back_to("last-good"), hold("x").act_at("s85"), proven("x")]"#,
        "a.rhai:2:28: `back_to` is not in this version\n\
         a.rhai:2:60: `act_at` is not in this version\n\
         a.rhai:2:75: `proven` is not in this version\n",
    );
    check(
        &format!("{HEADER}\nfn passing(p) {{ }}\nfn trial(t) {{ }}\nfn event(e) {{ }}"),
        "a.rhai:2:1: handler `passing` is not in this version\n\
         a.rhai:3:1: handler `trial` is not in this version\n\
         a.rhai:4:1: handler `event` is not in this version\n",
    );
}

#[test]
fn counters_and_charts() {
    let with = |given: &str, expect: &str| {
        let text = format!(r#"rule("x").at("s30").of("mass", "g"){given}.on_fault("hold");"#);
        header(&text, expect);
    };
    with(
        r#".per("moold").count("low", below(1400.g), 10)"#,
        "a.rhai:1:37: stratum 'moold' is not in the plant description: did you mean mould\n",
    );
    with(
        r#".count("low", below(1400.mm), 10)"#,
        "a.rhai:1:50: counter 'low' is in mm, mass at s30 is in g: write it in g\n",
    );
    with(
        r#".count("low", below(1.4.kg), 10)"#,
        "a.rhai:1:50: counter 'low' is in kg, mass at s30 is in g: write 1400.g\n",
    );
    with(
        r#".count("low", below(1400), 10)"#,
        "a.rhai:1:50: counter 'low' is a whole number, wanted a quantity: write 1400.g\n",
    );
    with(
        r#".count("low", below(140.g), 10)"#,
        "a.rhai:1:50: counter 'low': 140.0 g can never be true of mass at s30, which is plausible from 200.0 g to 3000.0 g: check the number, or the plant description's `plausible`\n",
    );
    with(
        r#".count("low", within(1475.g, 1425.g), 10)"#,
        "a.rhai:1:50: counter 'low': nothing is within 1475.0 g and 1425.0 g: write the smaller one first\n",
    );
    with(
        r#".count("low", 1400.g, 10)"#,
        "a.rhai:1:37: counter 'low' is a quantity: write below(1.g), above(1.g), within(1.g, 2.g) or off_nominal_by(1.g)\n",
    );
    with(
        r#".count("low", below(1400.g), 0)"#,
        "a.rhai:1:37: counter 'low' looks at the last 0 pieces, wanted a whole number of pieces from 1 to 1000: write .count(\"low\", below(…), 10)\n",
    );
    with(
        r#".count("low", below(1400.g))"#,
        "a.rhai:1:37: `.count` takes 3 values, found 2: write .count(\"name\", below(2.50.um), 10)\n",
    );
    with(
        r#".count("gauge", below(1400.g), 10)"#,
        "a.rhai:1:37: counter 'gauge' has the name of a fact: give it another name\n",
    );
    with(
        r#".limit("low", 40.g).count("low", below(1400.g), 10)"#,
        "a.rhai:1:56: counter 'low' has the name of another limit, counter or chart of this rule: give one of them another name\n",
    );
    with(
        r#".chart("wear", ewma(1.1), control_limit(3.93))"#,
        "a.rhai:1:37: chart 'wear': the weight 1.1 of the newest point is outside 0 to 1: a usual one is 0.1 or 0.2\n",
    );
    with(
        r#".chart("wear", ewma(0.1), 3.93)"#,
        "a.rhai:1:37: chart 'wear' is made of ewma(…) and a number with a point: write .chart(\"wear\", ewma(0.1), control_limit(3.93))\n",
    );
    with(
        r#".chart("wear", ewma(0.1), control_limit(0))"#,
        "a.rhai:1:37: chart 'wear': the control limit 0 is outside 0 to 100 sigmas: a usual one is 2.7 to 4\n",
    );
    with(
        r#".leave_out(off_nominal_by(40.g))"#,
        "a.rhai:1:37: nothing is counted or charted, so nothing is left out: add a .count or a .chart, or take it out\n",
    );
    with(
        r#".count("low", below(1400.g), 10).leave_out(off_nominal_by(3000.g))"#,
        "a.rhai:1:79: what is left out: 3000.0 g can never be true of mass at s30, which is plausible from 200.0 g to 3000.0 g: check the number, or the plant description's `plausible`\n",
    );
    with(
        r#".count("low", belw(1400.g), 10)"#,
        "a.rhai:1:50: `belw` has no place in a header: did you mean below\n",
    );
    header(
        r#"rule("x").at("s95").of("concavity", "um").chart("bow", ewma(0.1), control_limit(3)).on_fault("hold");"#,
        "a.rhai:1:43: chart 'bow' needs a sigma, and concavity at s95 has none in the plant description: add `sigma`, the standard deviation of one value of a process in order\n",
    );
    let counted = |body: &str, expect: &str| {
        let header = r#"rule("x").at("s30").of("mass", "g").count("low", below(1400.g), 10).chart("wear", ewma(0.1), control_limit(3.93)).on_fault("hold");"#;
        check(&format!("{header}\nfn reading(r) {{ {body} }}"), expect);
    };
    counted(
        r#"if r.lwo.total > 2 { hold("x") }"#,
        "a.rhai:2:22: `lwo` is no fact of a reading: did you mean low\n",
    );
    counted(
        r#"if r.low.totl > 2 { hold("x") }"#,
        "a.rhai:2:26: `totl` is no fact of a counter: did you mean total\n",
    );
    counted(
        r#"if r.low > 2 { hold("x") }"#,
        "a.rhai:2:26: `>` compares a counter with a whole number: ask its total, in_a_row or pieces\n",
    );
    counted(
        r#"if r.wear { hold("x") }"#,
        "a.rhai:2:21: found a chart, wanted a yes or no: ask its signal, or compare its level\n",
    );
    counted(r#"hold(`gone in ${r.wear.left} shots`)"#, "loads");
    counted(
        r#"if r.wear.left < 100 { hold("x") }"#,
        "a.rhai:2:32: `<` compares a fact that is not known with a whole number: ask known(…) first\n",
    );
    counted(
        r#"if known(r.wear.rate) { hold(`${r.wear.left.low}`) }"#,
        "a.rhai:2:61: `low` of a fact that is not known: ask known(…) first\n",
    );
    counted(
        r#"if known(r.wear.left) && r.wear.left.low < 100 && r.wear.left + 1 < 2000 { hold("x") }"#,
        "loads",
    );
    counted(
        r#"if known(r.wear.left) && r.wear.left.lwo < 1 { hold("x") }"#,
        "a.rhai:2:54: `lwo` is no fact of what is left: did you mean low\n",
    );
    counted(
        r#"if r.wear.sgnal { hold("x") }"#,
        "a.rhai:2:27: `sgnal` is no fact of a chart: did you mean signal\n",
    );
    counted(
        r#"if r.low.left > 1 { hold("x") }"#,
        "a.rhai:2:26: `left` is no fact of a counter: known: total, in_a_row, pieces\n",
    );
    counted(
        r#"let n = 30.days; hold("x")"#,
        "a.rhai:2:28: `days` belongs in the header: take it out of the handler\n",
    );
    counted(
        r#"if r.wear.level > 1500.g { hold("x") }"#,
        "a.rhai:2:33: `>` compares a fact that is not known with a quantity: ask known(…) first\n",
    );
}

#[test]
fn wider_holds_advice_and_alarms() {
    body(
        r#"hold_station("x")"#,
        "a.rhai:2:17: `hold_station` holds nothing: no gate stands at s30 or after it: hold the piece: hold(\"why\")\n",
    );
    body(
        r#"hold_stratum("x")"#,
        "a.rhai:2:17: `hold_stratum` does not know which kind of stratum is meant: add .per(\"stratum\") to the header\n",
    );
    body(
        r#"advise("maintenanse", "x")"#,
        "a.rhai:2:17: role 'maintenanse' is not in the plant description: did you mean maintenance\n",
    );
    body(
        r#"let who = "nobody"; advise(who, "x")"#,
        "a.rhai:2:37: role 'nobody' is not in the plant description: known: maintenance\n",
    );
    body(
        r#"advise("look at it")"#,
        "a.rhai:2:17: `advise` takes 2 values, found 1: write advise(\"role\", \"what to plan\")\n",
    );
    body(
        r#"alarm("wear", "x")"#,
        "a.rhai:2:17: no alarm 'wear' is declared: declare it in the header: .alarm(\"wear\").priority(\"low\").owner(\"role\").response(\"what to do\")\n",
    );
    body(
        r#"advise("maintenance", "x").class("process-minor")"#,
        "a.rhai:2:44: `advise` has no class: only a hold has one\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g").alarm("wear").priority("hihg").owner("o").on_fault("hold");"#,
        "a.rhai:1:37: alarm 'wear' has no `.response`: add .response(\"what to do\")\n\
         a.rhai:1:51: 'hihg' is no priority of an alarm: did you mean high\n\
         a.rhai:1:68: role 'o' is not in the plant description: known: maintenance\n",
    );
    header(
        r#"rule("x").at("s30").of("mass", "g").priority("high").on_fault("hold");"#,
        "a.rhai:1:37: `.priority` has no alarm before it: write .alarm(\"name\").priority(\"…\")\n",
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
        "a.rhai:1:37: limit 'far off' cannot be written as r.limit.far off: use letters, digits and _, a letter first\n",
    );
    limit(
        r#".limit("a", 40.g).limit("a", 50.g)"#,
        "a.rhai:1:54: limit 'a' has the name of another limit, counter or chart of this rule: give one of them another name\n",
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
        "a.rhai:1:37: limit 'gross' is in um, mass at s30 is in g: write it in g\n\
         a.rhai:1:55: 'µm' begins with a letter that has two codes: rules write u for it: um\n",
    );
}

#[test]
fn a_text_that_reads_otherwise_than_it_runs() {
    for turn in ['\u{202e}', '\u{2066}', '\u{200f}', '\u{61c}'] {
        let code = u32::from(turn);
        let said = format!(
            "a character that turns the direction of writing, U+{code:04X}: \
             take it out: with it a rule reads otherwise than it runs"
        );
        check(
            &format!("{HEADER}\nfn reading(r) {{ hold(\"x{turn}\") }}"),
            &format!("a.rhai:2:24: {said}\n"),
        );
        check(
            &format!("{HEADER}\n{HANDLER}\n// \u{fc} {turn} x"),
            &format!("a.rhai:3:6: {said}\n"),
        );
    }
}

#[test]
fn a_comment_that_is_closed_is_none_of_its_business() {
    for comment in ["/* x */", "/* x /* y */ z */", "// /* x", "/* x */ // /* y"] {
        check(&format!("{HEADER}\n{HANDLER}\n{comment}"), "loads");
    }
    check(
        &format!("{HEADER}\nfn reading(r) {{ hold(\"/*\" + `/* ${{r.value}} /*`) }} // x"),
        "loads",
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
        "a.rhai:1:9: the file ends, wanted ')' to close the arguments list of this function call 'rule': close each ( with a )\n",
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
        "a.rhai:2:17: `release` is not a rule's to say: a person releases: a rule only asks\n",
    );
    body(
        r#"unevaluated("x")"#,
        "a.rhai:2:17: `unevaluated` is not a rule's to say: the engine says it where a value cannot be believed: ask for recheck(\"why\") or hold(\"why\")\n",
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
         add .per(\"…\") to the header, or ask r.strata\n",
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
        "a.rhai:2:29: `hold` at 2:29 was made but not returned: return it, or several in a list\n",
    );
    body(
        r#"if r.stratum == "M1" { hold("x") }"#,
        "a.rhai:2:30: `==` compares a fact that is not known with a text: ask known(…) first\n",
    );
    body(
        r#"if r.strata.mould == "M2" { 3 }"#,
        "a.rhai:2:35: `==` compares a fact that is not known with a text: ask known(…) first\n\
         a.rhai:2:45: `reading` returned a whole number: return one verdict, a list of verdicts, or nothing\n",
    );
    body(
        r#"r.value > r.limit.gross"#,
        "a.rhai:2:25: `reading` returned a yes or no: return one verdict, a list of verdicts, or nothing\n",
    );
    body(
        r#"for i in 0..1000000 { }"#,
        "a.rhai: `reading` used up its 100000 operations: it runs too long: look for a `for` over too much\n",
    );
    body(
        r#"hold("x").class("food")"#,
        "a.rhai:2:27: class 'food' is not in the plant description: known: nonconforming, process-minor\n",
    );
    check(
        "rule(\"x\").at(\"s95\").of(\"concavity\", \"um\").on_fault(\"hold\");\nfn reading(r) { if r.value.deviation > 1.um { hold(\"x\") } }",
        "a.rhai:2:28: concavity at s95 has no nominal: \
         give it one in the plant description, or compare r.value with a limit\n",
    );
}
