//! What a person reads, word for word.

use super::*;

/// Holds what is printed against what should be; `expect` begins with a line end.
fn read(files: &[(&str, &str)], expect: &str) {
    let checked = check(files, &[]);
    assert_eq!(checked.errors, "");
    let expect = expect.strip_prefix('\n').unwrap_or(expect);
    assert!(
        checked.paper == expect,
        "found\n{}\nwanted\n{expect}",
        checked.paper
    );
}

#[test]
fn faults_stand_under_the_words_they_are_about() {
    let light = LIGHT.replace("40.g", "40.kg").replace("remelt(", "remlt(");
    let rough = "\u{feff}rule(\"Gr\u{fc}n\").at(\"w2\").of(\"rough\", \"um\").on_fault(\"hold\");\r\nfn reading(r) {\r\n\t/* \u{b5} */ if r.valu > 3.um { hold(\"x\") }\r\n}\r\n";
    read(
        &[("light.rhai", &light), ("rough.rhai", rough)],
        r#"
fault: limit 'gross' is in kg, weight at w1 is in g
 --> RULES/light.rhai:3:6
  |
3 |     .limit("gross", 40.kg)
  |      ^^^^^
  |
  = help: write 40000.g

fault: `remlt` is not known
 --> RULES/light.rhai:9:9
  |
9 |         remlt(`weight ${r.value} is ${r.value.off_nominal} off nominal`)
  |         ^^^^^
  |
  = help: did you mean remelt

fault: `valu` is no fact of a reading
 --> RULES/rough.rhai:3:15
  |
3 |     /* µ */ if r.valu > 3.um { hold("x") }
  |                  ^^^^
  |
  = help: did you mean value

3 faults
"#,
    );
}

#[test]
fn a_file_that_cannot_be_parsed_says_where_it_stops() {
    read(
        &[
            ("light.rhai", "rule(\"x\".at(\"w1\")\n"),
            ("Light.rhai", LIGHT),
        ],
        r#"
fault: the name differs from Light.rhai only in case, or not at all
--> RULES/light.rhai
 = help: give one of them another name

fault: the file ends, wanted ')' to close the arguments list of this function call 'rule'
 --> RULES/light.rhai:1:18
  |
1 | rule("x".at("w1")
  |                  ^
  |
  = help: close each ( with a )

remark: rule Light has no cases
--> RULES/Light.rhai
 = help: write some in Light.cases

2 faults, 1 remark
"#,
    );
}

#[test]
fn a_case_that_differs_shows_what_was_wanted_and_what_came() {
    let cases = "case one\n  06:10:00 w1 reading K1 die=D1 weight=1380.1g -> remelt K1 \"69.8 g\"\n\
                 case two, with a row that says nothing\n  06:10:00 w1 reading K1 weight=1450g\n  \
                 06:10:10 w1 reading K2 die=D2 weight=1380.1g  # not listed\n";
    read(
        &[("light.rhai", LIGHT), ("light.cases", cases)],
        r#"
case differs: one
 --> RULES/light.cases:2:48
  |
1 | case one
2 |   06:10:00 w1 reading K1 die=D1 weight=1380.1g -> remelt K1 "69.8 g"
  |                                                ^^^^^^^^^^^^^^^^^^^^^
  |
  = wanted: remelt K1 "69.8 g"
  = found: remelt K1 at=w1 route=returns "light: weight 1380.1 g is 69.9 g off nominal"
  = not so: "69.8 g" of remelt K1

case differs: two, with a row that says nothing
 --> RULES/light.cases:5:3
  |
3 | case two, with a row that says nothing
4 |   06:10:00 w1 reading K1 weight=1450g
5 |   06:10:10 w1 reading K2 die=D2 weight=1380.1g  # not listed
  |   ^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^^
  |
  = wanted: nothing
  = found: hold K2 at=w1 "light: die D2 is new | engine:tolerance: weight 1380.1 g is below 1425.0 g"

2 cases differ in 2 rows
"#,
    );
}

#[test]
fn what_no_case_tries_is_said() {
    let cases = "case one\n  06:10:00 w1 reading K1 die=D1 weight=1380.1g -> remelt K1\n";
    let rough = LIGHT
        .replace(
            ".of(\"weight\", \"g\")",
            ".of(\"rough\", \"um\").per(\"die\")",
        )
        .replace("w1", "w2")
        .replace("40.g", "1.um");
    let never = "case one\n  06:10:00 w2 reading K1 rough=3.5um\n";
    read(
        &[
            ("light.rhai", LIGHT),
            ("light.cases", cases),
            ("rough.rhai", &rough),
            ("rough.cases", never),
            ("third.rhai", &rough),
            ("old/light.rhai", LIGHT),
        ],
        r#"
remark: this `if` is never false in any case
 --> RULES/light.rhai:7:5
  |
7 |     if r.value.off_nominal > r.limit.gross {
  |     ^^
  |
  = help: add a case to light.cases in which it is

remark: this `if` is never true in any case
 --> RULES/light.rhai:8:9
  |
8 |         if known(r.stratum) && r.stratum == "D2" { return hold("die D2 is new"); }
  |         ^^
  |
  = help: add a case to light.cases in which it is

remark: a subfolder, not read
--> RULES/old
 = help: a rulebook is one folder

remark: this `if` is never true in any case
 --> RULES/rough.rhai:7:5
  |
7 |     if r.value.off_nominal > r.limit.gross {
  |     ^^
  |
  = help: add a case to rough.cases in which it is

remark: this `if` is not reached in any case
 --> RULES/rough.rhai:8:9
  |
8 |         if known(r.stratum) && r.stratum == "D2" { return hold("die D2 is new"); }
  |         ^^
  |
  = help: add a case to rough.cases that comes to it

remark: `remelt` is never legal at w2, where pieces are machined
 --> RULES/rough.rhai:9:9
  |
9 |         remelt(`weight ${r.value} is ${r.value.off_nominal} off nominal`)
  |         ^^^^^^
  |
  = help: the piece will be held instead

remark: rule third has no cases
--> RULES/third.rhai
 = help: write some in third.cases

remark: `remelt` is never legal at w2, where pieces are machined
 --> RULES/third.rhai:9:9
  |
9 |         remelt(`weight ${r.value} is ${r.value.off_nominal} off nominal`)
  |         ^^^^^^
  |
  = help: the piece will be held instead

3 rules, 2 cases, 0 of 6 branches both ways, 8 remarks: fine
"#,
    );
}

/// The run lengths of the two charts are in every text on them: of cumulative sums with k 0.5 and h 5 465, 38.0, 10.4,
/// 4.01 and 2.57 points, of single values against three sigmas 370, 155, 43.9, 6.30 and 2.00 (Montgomery, Introduction to
/// Statistical Quality Control; quoted from memory). A takt of 24 s gives 25,200 pieces a week.
#[test]
fn charts_say_what_they_promise() {
    let rule = "rule(\"Rough pieces stay\")\n    .at(\"w2\").of(\"rough\", \"um\")\n    \
                .chart(\"sum\", cusum(0.5), control_limit(5)).chart(\"one\", shewhart(), control_limit(3))\n    \
                .chart(\"kept\", shewhart(), one_false_alarm_in(370.points))\n    .on_fault(\"hold\");\n\
                fn reading(r) { if r.sum.signal || r.one.signal || r.kept.signal { hold(`rough ${r.one.level}`) } }\n";
    let cases = "case both ways\n  06:10:00 w2 reading K1 rough=3.5um\n  06:10:10 w2 reading K2 rough=4.4um -> hold K2 \"4.40 um\"\n";
    read(
        &[("rough.rhai", rule), ("rough.cases", cases)],
        r#"
chart rough/sum: cusum(0.5) of rough at w2
  limit         control_limit(5)
  false alarms  one in 465 points: 10.8 in 168 running hours
  a mean off by 0.5 sigma after 38.0 (190 pieces), 1 sigma after 10.4 (51.9 pieces), 2 sigma after 4.01 (20.0 pieces), 3 sigma after 2.57 (12.9 pieces); points, on average

chart rough/one: shewhart() of rough at w2
  limit         control_limit(3)
  false alarms  one in 370 points: 13.6 in 168 running hours
  a mean off by 0.5 sigma after 155 (776 pieces), 1 sigma after 43.9 (219 pieces), 2 sigma after 6.30 (31.5 pieces), 3 sigma after 2.00 (10.0 pieces); points, on average

chart rough/kept: shewhart() of rough at w2
  limit         control_limit(3), worked out for one false alarm in 370 points; to freeze it, write that
  false alarms  one in 370 points: 13.6 in 168 running hours
  a mean off by 0.5 sigma after 155 (776 pieces), 1 sigma after 43.9 (219 pieces), 2 sigma after 6.30 (31.5 pieces), 3 sigma after 2.00 (10.0 pieces); points, on average

1 rule, 1 case, 1 branch both ways: fine
"#,
    );
    let checked = check(&[("rough.rhai", rule), ("rough.cases", cases)], &["--json"]);
    let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
    let kept = &report["charts"][2];
    assert_eq!(
        (&kept["freeze"], &kept["promised"], &kept["every"]),
        (
            &Value::from("control_limit(3)"),
            &Value::from(370),
            &Value::from(5)
        )
    );
    let between = kept["points_between_false_alarms"]
        .as_f64()
        .expect("a figure");
    assert!((between - 370.398).abs() < 0.001, "{kept}");
}
