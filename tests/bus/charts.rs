//! The published examples of control charts, sent as readings: each signals at the published points and nowhere else.
//!
//! That charts signal as seldom as they promise takes a million readings, which the derivation is given without a bus.

use super::*;
use chargehand_core::Outcome;
use chargehand_derive::record;
use std::collections::BTreeMap;

/// A gauge for the examples' numbers, in the middle of the line.
fn plant(centre: &str, sigma: &str) -> String {
    let station = format!(
        "[[station]]\nname = \"s35\"\nplace = 6\ncondition = \"as-cast\"\ngate = {{ kind = \"diverter\", within_s = 3, effect = \"divert\" }}\n\n\
         [[station.characteristic]]\nname = \"size\"\nunit = \"mm\"\nplausible = [-1000, 1000]\nresolution = 0.0001\nof = \"piece\"\n\
         centre = {centre}\nsigma = {sigma}\n\n[[station]]\nname = \"s40\"\n"
    );
    PLANT.replace("[[station]]\nname = \"s40\"\n", &station)
}

/// Sends the values, one piece each, and returns at which of them, counted from 1, each rule said something.
fn signals(
    (centre, sigma): (&str, &str),
    rules: &[(String, String)],
    values: &[String],
) -> BTreeMap<String, Vec<usize>> {
    let mut site = Site::start_with(&plant(centre, sigma), PLANT_BROKER);
    site.daemon.stop();
    for (name, chart) in rules {
        let text = format!(
            "rule(\"{name}\").at(\"s35\").of(\"size\", \"mm\").chart(\"c\", {chart}).on_fault(\"alarm\");\n\
             fn reading(r) {{ if r.c.signal {{ hold(`${{r.c.side}}`) }} }}\n"
        );
        site.folder.write(&format!("rules/{name}.rhai"), &text);
    }
    site.start_again();
    let mut last = String::new();
    for (place, value) in (1..).zip(values) {
        last = fresh("v");
        let number: Value = serde_json::from_str(value).expect("a number");
        let piece = format!("P{place}");
        site.say(
            "s35/reading",
            &json!({"id": last, "piece": piece, "values": {"size": number}}),
        );
    }
    site.disposition("s35", &last);
    let mut said: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    let mut judged = 0;
    for record in site.records() {
        for outcome in record::outcomes(&record).expect("of this version") {
            if let Outcome::Judged(value) = outcome {
                judged += 1;
                for rule in value.said {
                    said.entry(rule.rule.to_string()).or_default().push(judged);
                }
            }
        }
    }
    assert_eq!(judged, values.len(), "every value is judged once");
    said
}

fn check_values(json: &str) -> Value {
    serde_json::from_str(json).expect("a file of check values")
}

fn texts(of: &Value) -> Vec<String> {
    let values = of.as_array().expect("a list");
    values.iter().map(ToString::to_string).collect()
}

/// NIST/SEMATECH e-Handbook, 6.3.2.3: 20 means, target 325, sigma 0.635, k 0.3175 and h 4.1959 in the unit of the data. Data
/// and signals were read from texts that quote the section and agree.
#[test]
fn the_published_sums_signal_on_the_bus_at_the_published_points() {
    let file = check_values(include_str!(
        "../../daemon/measure/check-values/nist-cusum-tabular.json"
    ));
    let rows = file["rows"].as_array().expect("rows");
    let values: Vec<String> = rows.iter().map(|row| row["x"].to_string()).collect();
    let rules = [(
        "sums".to_owned(),
        "cusum(0.5), control_limit(6.607716535)".to_owned(),
    )];
    let found = signals(("325", "0.635"), &rules, &values);
    let published = file["signals_hi"].as_array().expect("a list").iter();
    let published: Vec<usize> = published
        .map(|place| usize::try_from(number(place)).expect("small"))
        .collect();
    assert_eq!(found, BTreeMap::from([("sums".to_owned(), published)]));
}

/// The same handbook, 6.3.2.4: 20 values, weight 0.3, three sigmas, no signal. Had likewise. A little narrower it does
/// signal: the last average is 51.988, 2.305 of its own sigmas off, and no other is further off than 2.25.
#[test]
fn the_published_average_signals_on_the_bus_nowhere() {
    let file = check_values(include_str!(
        "../../daemon/measure/check-values/nist-ewma.json"
    ));
    let values = texts(&file["data"]["y"]);
    let rules = [("average", "3"), ("narrow", "2.3")].map(|(name, limit)| {
        let chart = format!("ewma(0.3), control_limit({limit})");
        (name.to_owned(), chart)
    });
    let found = signals(("50", "2.0539"), &rules, &values);
    assert_eq!(found, BTreeMap::from([("narrow".to_owned(), vec![20])]));
}

/// 358 points on which every run rule fires somewhere; where was computed by two programs apart from this one (see the
/// README beside the file).
#[test]
fn every_run_rule_fires_on_the_bus_where_it_should() {
    let table = include_str!("../../daemon/measure/check-values/run-rules-sequence.csv");
    let mut lines = table.lines();
    let names: Vec<&str> = lines.next().expect("a head").split(',').skip(2).collect();
    let rows: Vec<Vec<&str>> = lines.map(|line| line.split(',').collect()).collect();
    let values: Vec<String> = rows.iter().map(|row| row[1].to_owned()).collect();
    let rules: Vec<(String, String)> = names
        .iter()
        .map(|name| {
            let word = name.to_uppercase();
            let chart = format!("shewhart(\"{word}\"), control_limit(100)");
            ((*name).to_owned(), chart)
        })
        .collect();
    let found = signals(("0", "1"), &rules, &values);
    for (column, name) in names.iter().enumerate() {
        let fires = rows.iter().filter(|row| row[column + 2] == "1");
        let expect: Vec<usize> = fires.map(|row| row[0].parse().expect("a place")).collect();
        assert_eq!(found.get(*name), Some(&expect), "{name}");
    }
}
