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
  = found: remelt K1 at=w1 route=remelt "light: weight 1380.1 g is 69.9 g off nominal"
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
        .replace("remelt(", "rework(")
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

remark: rule third has no cases
--> RULES/third.rhai
 = help: write some in third.cases

3 rules, 2 cases, 6 remarks: no fault; not tried: 6 of 6 branches
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
  centre        3.50 um, the nominal, as no `centre` is given
  limit         control_limit(5)
  false alarms  one in 465 points: 10.8 in 168 running hours
  a mean off by 0.5 sigma after 38.0 (190 pieces), 1 sigma after 10.4 (51.9 pieces), 2 sigma after 4.01 (20.0 pieces), 3 sigma after 2.57 (12.9 pieces); points, on average

chart rough/one: shewhart() of rough at w2
  centre        3.50 um, the nominal, as no `centre` is given
  limit         control_limit(3)
  false alarms  one in 370 points: 13.6 in 168 running hours
  a mean off by 0.5 sigma after 155 (776 pieces), 1 sigma after 43.9 (219 pieces), 2 sigma after 6.30 (31.5 pieces), 3 sigma after 2.00 (10.0 pieces); points, on average

chart rough/kept: shewhart() of rough at w2
  centre        3.50 um, the nominal, as no `centre` is given
  limit         control_limit(3), worked out for one false alarm in 370 points; to freeze it, write that
  false alarms  one in 370 points: 13.6 in 168 running hours
  a mean off by 0.5 sigma after 155 (776 pieces), 1 sigma after 43.9 (219 pieces), 2 sigma after 6.30 (31.5 pieces), 3 sigma after 2.00 (10.0 pieces); points, on average

false alarms of all charts together: at most 38.0 in 168 running hours
  rule rough: each of its 3 charts has a promise of its own; together at most one in 132 values

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

/// A line of two products, of which one is measured half as often and in steps of one sigma: each has charts of its own, and as
/// every piece is of one of them, together they err no more often than the worse. Run lengths as above and below; that
/// of counted sums is what the program itself says.
#[test]
fn charts_of_products_promise_each_for_itself() {
    let plant = PLANT.replace(
        "sigma = 0.25\nevery = 5\n",
        "sigma = 0.25\nevery = 5\n[station.characteristic.product.gp-28]\nnominal = 3.4\nsigma = 0.01\nevery = 10\n",
    );
    let plant = format!("{plant}[[product]]\nname = \"gp-24\"\n[[product]]\nname = \"gp-28\"\n");
    let rule = "rule(\"Rough pieces stay\")\n    .at(\"w2\").of(\"rough\", \"um\")\n    \
                .chart(\"one\", shewhart(), control_limit(3)).chart(\"sum\", cusum(0.5), control_limit(5))\n    \
                .on_fault(\"hold\");\n\
                fn reading(r) { if r.one.signal || r.sum.signal { hold(`${r.product}`) } }\n";
    let cases = "case both ways\n  06:10:00 w2 reading K1 rough=3.5um product=gp-24\n  06:10:10 w2 reading K2 rough=3.3um product=gp-28 -> hold K2 \"gp-28\"\n";
    let checked = check_for(&plant, &[("rough.rhai", rule), ("rough.cases", cases)], &[]);
    assert_eq!(checked.errors, "");
    let expect = r#"remark: chart 'one' of gp-28 counts rough at w2 in steps of 1.00 sigma: it signals falsely once in 2149 points, where finer steps would make it once in 370 points
 --> RULES/rough.rhai:3:6
  |
3 |     .chart("one", shewhart(), control_limit(3)).chart("sum", cusum(0.5), control_limit(5))
  |      ^^^^^
  |
  = help: give the characteristic a `resolution` of half a sigma or less, or take the control_limit by what is said of it here

remark: chart 'sum' of gp-28 counts rough at w2 in steps of 1.00 sigma: it signals falsely once in 412 points, where finer steps would make it once in 465 points
 --> RULES/rough.rhai:3:49
  |
3 |     .chart("one", shewhart(), control_limit(3)).chart("sum", cusum(0.5), control_limit(5))
  |                                                 ^^^^^
  |
  = help: give the characteristic a `resolution` of half a sigma or less, or take the control_limit by what is said of it here

chart rough/one of gp-24: shewhart() of rough at w2
  centre        3.50 um, the nominal, as no `centre` is given
  limit         control_limit(3)
  false alarms  one in 370 points: 13.6 in 168 running hours of gp-24
  a mean off by 0.5 sigma after 155 (776 pieces), 1 sigma after 43.9 (219 pieces), 2 sigma after 6.30 (31.5 pieces), 3 sigma after 2.00 (10.0 pieces); points, on average

chart rough/sum of gp-24: cusum(0.5) of rough at w2
  centre        3.50 um, the nominal, as no `centre` is given
  limit         control_limit(5)
  false alarms  one in 465 points: 10.8 in 168 running hours of gp-24
  a mean off by 0.5 sigma after 38.0 (190 pieces), 1 sigma after 10.4 (51.9 pieces), 2 sigma after 4.01 (20.0 pieces), 3 sigma after 2.57 (12.9 pieces); points, on average

chart rough/one of gp-28: shewhart() of rough at w2
  centre        3.40 um, the nominal, as no `centre` is given
  limit         control_limit(3)
  false alarms  one in 2149 points: 1.17 in 168 running hours of gp-28
  a mean off by 0.5 sigma after 724 (7238 pieces), 1 sigma after 161 (1610 pieces), 2 sigma after 15.0 (150 pieces), 3 sigma after 3.24 (32.4 pieces); points, on average

chart rough/sum of gp-28: cusum(0.5) of rough at w2
  centre        3.40 um, the nominal, as no `centre` is given
  limit         control_limit(5)
  false alarms  one in 412 points: 6.11 in 168 running hours of gp-28
  a mean off by 0.5 sigma after 38.5 (385 pieces), 1 sigma after 10.8 (108 pieces), 2 sigma after 4.17 (41.7 pieces), 3 sigma after 2.72 (27.2 pieces); points, on average

false alarms of all charts together: at most 24.4 in 168 running hours
  rule rough: each of its 2 charts has a promise of its own; together at most one in 195 values

1 rule, 1 case, 1 branch both ways, 2 remarks: no fault
"#;
    assert!(
        checked.paper == expect,
        "found\n{}\nwanted\n{expect}",
        checked.paper
    );
}

/// A rule with one chart of the roughness, and a case that goes both ways.
fn charted(header: &str) -> [(&'static str, String); 2] {
    let rule = format!(
        "rule(\"Rough pieces stay\").at(\"w2\").of(\"rough\", \"um\")\n    {header}\n    .on_fault(\"hold\");\n\
         fn reading(r) {{ if r.value > 4.40.um || r.one.signal {{ hold(\"rough\") }} }}\n"
    );
    let cases = "case both ways\n  06:10:00 w2 reading K1 rough=3.5um\n  06:10:10 w2 reading K2 rough=4.45um -> hold K2\n";
    [("rough.rhai", rule), ("rough.cases", cases.to_owned())]
}

fn read_on(plant: &str, header: &str, expect: &str) {
    let files = charted(header);
    let files = files.each_ref().map(|(name, text)| (*name, text.as_str()));
    let checked = check_for(plant, &files, &[]);
    assert_eq!(checked.errors, "");
    let expect = expect.strip_prefix('\n').unwrap_or(expect);
    assert!(
        checked.paper == expect,
        "found\n{}\nwanted\n{expect}",
        checked.paper
    );
}

/// Left out is what is more than 2.02 sigma off (0.505 um, as values are counted in hundredths). By the normal
/// distribution a point is then beyond 1.8 sigma once in 33.6, and of the values with the mean off by 3 sigma one in 6.1
/// is a point, of which one in 3.4 signals (scipy 1.17.1).
#[test]
fn a_chart_says_what_it_leaves_out_and_counts_values() {
    read_on(
        &PLANT.replace("sigma = 0.25", "centre = 3.5\nsigma = 0.25"),
        r#".leave_out(off_nominal_by(0.5.um)).chart("one", shewhart(), control_limit(1.8))"#,
        r"
chart rough/one: shewhart() of rough at w2
  limit         control_limit(1.8)
  left out      4.34 % of values, 83.6 % with the mean off by 3 sigma; points are the others
  false alarms  one in 34 points (35 values): 144 in 168 running hours
  a mean off by 0.5 sigma after 26.7 (134 pieces), 1 sigma after 16.9 (84.3 pieces), 2 sigma after 11.5 (57.3 pieces), 3 sigma after 20.6 (103 pieces); values, on average

1 rule, 1 case, 1 branch both ways: fine
",
    );
}

/// What is left out far off changes no figure, and is not spoken of.
#[test]
fn what_is_left_out_far_off_is_not_spoken_of() {
    read_on(
        &PLANT.replace("sigma = 0.25", "centre = 3.5\nsigma = 0.25"),
        r#".leave_out(off_nominal_by(2.um)).chart("one", ewma(0.1), one_false_alarm_in(20000.points))"#,
        r"
chart rough/one: ewma(0.1) of rough at w2
  limit         control_limit(3.932), worked out for one false alarm in 20000 points; to freeze it, write that
  false alarms  one in 20069 points: 0.25 in 168 running hours
  a mean off by 0.5 sigma after 117 (584 pieces), 1 sigma after 18.7 (93.5 pieces), 2 sigma after 6.38 (31.9 pieces), 3 sigma after 3.98 (19.9 pieces); points, on average

1 rule, 1 case, 1 branch both ways: fine
",
    );
}

/// 24 s from piece to piece and one in five measured are 720 points a day.
#[test]
fn a_promise_in_days_is_said_in_points() {
    read_on(
        PLANT,
        r#".chart("one", shewhart(), one_false_alarm_in(30.days))"#,
        r"
chart rough/one: shewhart() of rough at w2
  centre        3.50 um, the nominal, as no `centre` is given
  promise       30 running days = 21600 points: takt 24 s, one piece in 5
  limit         control_limit(4.074), worked out for one false alarm in 21600 points; to freeze it, write that
  false alarms  one in 21639 points: 0.23 in 168 running hours
  a mean off by 0.5 sigma after 5612 (28062 pieces), 1 sigma after 947 (4734 pieces), 2 sigma after 52.5 (263 pieces), 3 sigma after 7.07 (35.4 pieces); points, on average

1 rule, 1 case, 1 branch both ways: fine
",
    );
}

/// With steps of one sigma and the centre on one of them, a value is beyond three sigmas where it is 3.5 off: once in 2149
/// by the normal distribution (scipy 1.17.1), where it would be once in 370.
#[test]
fn a_step_above_half_a_sigma_is_told_with_what_it_does() {
    read_on(
        &PLANT.replace("sigma = 0.25", "centre = 3.5\nsigma = 0.01"),
        r#".chart("one", shewhart(), control_limit(3))"#,
        r#"
remark: chart 'one' counts rough at w2 in steps of 1.00 sigma: it signals falsely once in 2149 points, where finer steps would make it once in 370 points
 --> RULES/rough.rhai:2:6
  |
2 |     .chart("one", shewhart(), control_limit(3))
  |      ^^^^^
  |
  = help: give the characteristic a `resolution` of half a sigma or less, or take the control_limit by what is said of it here

chart rough/one: shewhart() of rough at w2
  limit         control_limit(3)
  false alarms  one in 2149 points: 2.34 in 168 running hours
  a mean off by 0.5 sigma after 724 (3619 pieces), 1 sigma after 161 (805 pieces), 2 sigma after 15.0 (74.8 pieces), 3 sigma after 3.24 (16.2 pieces); points, on average

1 rule, 1 case, 1 branch both ways, 1 remark: no fault
"#,
    );
}

/// A sum with the reference value 10 grows where a value is more than ten sigmas off, and with three sigmas off that is
/// seven more: once in 10^11 values beyond it by the normal distribution, and never so many in a row.
#[test]
fn a_chart_that_can_hardly_ever_signal_is_told() {
    let header = r#".chart("one", cusum(10), one_false_alarm_in(20000.points))"#;
    let files = charted(header);
    let files = files.each_ref().map(|(name, text)| (*name, text.as_str()));
    let remarks = |files: &[(&str, &str)]| {
        let checked = check_for(PLANT, files, &["--json"]);
        let report: Value = serde_json::from_str(&checked.paper).expect("JSON");
        let remarks = report["remarks"].as_array().expect("a list");
        remarks.iter().map(in_line).collect::<Vec<_>>()
    };
    assert_eq!(
        remarks(&files),
        [
            "rough.rhai:2:6: chart 'one' can practically never signal: it sees a mean that is off by 3 sigma after 7.9e11 values, on average: give it a smaller reference value, such as cusum(0.5), or a narrower limit"
        ]
    );
    let header = r#".leave_out(off_nominal_by(0.1.um)).chart("one", ewma(0.1), control_limit(3))"#;
    let files = charted(header);
    let files = files.each_ref().map(|(name, text)| (*name, text.as_str()));
    assert_eq!(
        remarks(&files),
        [
            "rough.rhai:2:40: chart 'one' can practically never signal: it sees a mean that is off by 3 sigma never: leave out less, or give it a narrower limit"
        ]
    );
}
