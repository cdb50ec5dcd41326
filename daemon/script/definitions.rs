//! The rule language as an editor reads it: every word with its values and a sentence, in the script engine's own
//! form of definition files, and the names of a plant as comments beside.
//!
//! Deliberately not here: what the words do. The words themselves are those of the language's one list; a test
//! holds this table against it and against the engine.

use chargehand_core::{Aims, Characteristic, Plant, Station};
use std::fmt::Write as _;

/// A word: how it is declared, and what it is for.
struct Entry {
    /// Once for each way to use it.
    declared: &'static [&'static str],
    says: &'static str,
}

const fn entry(declared: &'static [&'static str], says: &'static str) -> Entry {
    Entry { declared, says }
}

const RULE: &[Entry] = &[entry(
    &["fn rule(sentence: String) -> header"],
    "Begins the header of a rule with a sentence that says what the rule is for.",
)];

const HEADER: &[Entry] = &[
    entry(
        &["fn at(rule: header, station: String) -> header"],
        "The station whose readings the rule judges.",
    ),
    entry(
        &["fn of(rule: header, characteristic: String, unit: String) -> header"],
        "What is measured there, and its unit as the plant description has it.",
    ),
    entry(
        &["fn per(rule: header, stratum: String) -> header"],
        "The stratum by whose values counters and charts are kept apart, and which `r.stratum` is.",
    ),
    entry(
        &["fn leave_out(rule: header, values: mark) -> header"],
        "Values that counters and charts do not take: `off_nominal_by(40.g)`.",
    ),
    entry(
        &[
            "fn limit(rule: header, name: String, value: quantity) -> header",
            "fn limit(rule: header, name: String, band: mark) -> header",
        ],
        "A limit with a name; handlers read it as `r.limit.name`. A band is written `within(low, high)`.",
    ),
    entry(
        &["fn count(rule: header, name: String, marked: mark, of_last: int) -> header"],
        "A counter of marked pieces among the newest; handlers read it as `r.name`.",
    ),
    entry(
        &[
            "fn chart(rule: header, name: String, statistic: statistic, limit: control_limit) -> header",
        ],
        "A control chart; handlers read it as `r.name`.",
    ),
    entry(
        &["fn alarm(rule: header, name: String) -> header"],
        "An alarm this rule may raise; its priority, owner and response follow.",
    ),
    entry(
        &["fn priority(rule: header, priority: String) -> header"],
        "How urgent the alarm is.",
    ),
    entry(
        &["fn owner(rule: header, role: String) -> header"],
        "The role that answers the alarm.",
    ),
    entry(
        &["fn response(rule: header, what_to_do: String) -> header"],
        "What a person should do about the alarm.",
    ),
    entry(
        &["fn on_fault(rule: header, word: String) -> header"],
        "What happens when the rule fails: \"hold\", the piece is held, or \"alarm\", the other rules decide.",
    ),
];

const IN_HEADER: &[Entry] = &[
    entry(
        &["fn below(value: quantity) -> mark"],
        "Values below; the value itself is not among them.",
    ),
    entry(
        &["fn above(value: quantity) -> mark"],
        "Values above; the value itself is not among them.",
    ),
    entry(
        &["fn within(low: quantity, high: quantity) -> mark"],
        "Values from the first to the second, both included.",
    ),
    entry(
        &["fn off_nominal_by(distance: quantity) -> mark"],
        "Values further from nominal than that, to either side.",
    ),
    entry(
        &["fn ewma(weight: float) -> statistic"],
        "An exponentially weighted moving average; the weight of the newest value is above 0 and at most 1.",
    ),
    entry(
        &[
            "fn cusum(reference: float) -> statistic",
            "fn cusum(reference: float, head_start: float) -> statistic",
        ],
        "Two cumulative sums of what values exceed the reference value by, half of the shift to be found, in standard deviations; with a head start they begin there.",
    ),
    entry(
        &[
            "fn shewhart() -> statistic",
            "fn shewhart(rule: String) -> statistic",
            "fn shewhart(rule: String, other: String) -> statistic",
        ],
        "Single values, with run rules by name: WE1 to WE4, N1 to N8, N8_BOTH.",
    ),
    entry(
        &["fn control_limit(factor: float) -> control_limit"],
        "How far from the centre the chart signals, in standard deviations of what it shows; of a cusum in those of one value.",
    ),
    entry(
        &["fn one_false_alarm_in(promise: promise) -> control_limit"],
        "Works the limit out from how seldom the chart may signal while all is well, over all strata together: 20000.points, or 30.days of 24 hours of running.",
    ),
];

const VERBS: &[Entry] = &[
    entry(
        &["fn accept(why: String) -> verdict"],
        "Let the piece pass.",
    ),
    entry(
        &["fn hold(why: String) -> verdict"],
        "Stop the piece; a person decides.",
    ),
    entry(
        &["fn recheck(why: String) -> verdict"],
        "Measure the piece again.",
    ),
    entry(
        &["fn rework(why: String) -> verdict"],
        "Make the piece conform.",
    ),
    entry(
        &["fn regrade(why: String) -> verdict"],
        "Sell the piece as another grade.",
    ),
    entry(
        &["fn scrap(why: String) -> verdict"],
        "Keep the piece from its use.",
    ),
    entry(
        &["fn remelt(why: String) -> verdict"],
        "Back to the furnace charge; legal only where pieces are dry and bare.",
    ),
    entry(
        &["fn hold_station(why: String) -> verdict"],
        "Hold the gate of the rule's station, or the next one after it.",
    ),
    entry(
        &["fn hold_stratum(why: String) -> verdict"],
        "Hold every piece of the reading's stratum.",
    ),
    entry(
        &["fn advise(role: String, what_to_plan: String) -> verdict"],
        "Tell a role what to plan; nothing is stopped.",
    ),
    entry(
        &["fn alarm(name: String, why: String) -> verdict"],
        "Raise an alarm that the header declares.",
    ),
];

const VERDICT: &[Entry] = &[entry(
    &["fn class(hold: verdict, name: String) -> verdict"],
    "The class of a hold, which decides who may release it.",
)];

const UNIT: &[Entry] = &[entry(
    &["fn unit(number: ?, code: String) -> quantity"],
    "A quantity in whatever unit, by its UCUM code or the name of a declared count: `1.18.unit(\"[mil_i]\")`; where the code is a name, `40.g` is the same as `40.unit(\"g\")`.",
)];

const HELPERS: &[Entry] = &[
    entry(
        &["fn known(fact: ?) -> bool"],
        "Whether a fact is known; every other use of one that is not is a fault.",
    ),
    entry(
        &["fn inside(value: quantity, band: band) -> bool"],
        "Whether a value is within a limit declared with `within`, its ends included.",
    ),
    entry(
        &["fn abs(number: ?) -> ?"],
        "The number or quantity without its sign.",
    ),
    entry(&["fn min(one: ?, other: ?) -> ?"], "The smaller of two."),
    entry(&["fn max(one: ?, other: ?) -> ?"], "The larger of two."),
    entry(
        &["fn len(text: String) -> int", "fn len(list: Array) -> int"],
        "How many characters or items.",
    ),
    entry(
        &[
            "fn is_empty(text: String) -> bool",
            "fn is_empty(list: Array) -> bool",
        ],
        "Whether there are none.",
    ),
    entry(
        &["fn push(list: Array, item: ?)"],
        "Adds an item at the end of a list.",
    ),
    entry(
        &[
            "fn contains(list: Array, item: ?) -> bool",
            "fn contains(text: String, part: String) -> bool",
        ],
        "Whether an item, or a part of a text, is in it.",
    ),
    entry(
        &[
            "fn index_of(list: Array, item: ?) -> int",
            "fn index_of(text: String, part: String) -> int",
        ],
        "Where it is, from 0; -1 where it is not.",
    ),
    entry(
        &["fn map(list: Array, of: Fn) -> Array"],
        "What a function makes of every item.",
    ),
    entry(
        &["fn filter(list: Array, wanted: Fn) -> Array"],
        "The items a function wants.",
    ),
    entry(
        &["fn all(list: Array, wanted: Fn) -> bool"],
        "Whether a function wants every item.",
    ),
    entry(
        &["fn some(list: Array, wanted: Fn) -> bool"],
        "Whether a function wants any item.",
    ),
    entry(
        &["fn starts_with(text: String, part: String) -> bool"],
        "Whether a text begins so.",
    ),
    entry(
        &["fn ends_with(text: String, part: String) -> bool"],
        "Whether a text ends so.",
    ),
    entry(&["fn to_upper(text: String) -> String"], "In capitals."),
    entry(
        &["fn to_lower(text: String) -> String"],
        "In small letters.",
    ),
    entry(
        &[
            "fn sub_string(text: String, start: int) -> String",
            "fn sub_string(text: String, start: int, length: int) -> String",
        ],
        "A part of a text, from 0.",
    ),
    entry(
        &["fn split(text: String, at: String) -> Array"],
        "The parts of a text between separators.",
    ),
    entry(
        &["fn to_string(value: ?) -> String"],
        "How a value reads in a text.",
    ),
];

const FACTS: &[Entry] = &[
    entry(
        &["fn get value(r: reading) -> quantity"],
        "What was measured.",
    ),
    entry(
        &["fn get limit(r: reading) -> limits"],
        "The limits of the header, by name.",
    ),
    entry(&["fn get piece(r: reading) -> String"], "The piece's name."),
    entry(
        &["fn get station(r: reading) -> String"],
        "The station's name.",
    ),
    entry(
        &["fn get attempt(r: reading) -> int"],
        "Which measurement of this piece it is, from 1.",
    ),
    entry(
        &["fn get late(r: reading) -> bool"],
        "Whether the piece has passed the gate where it could have been stopped.",
    ),
    entry(&["fn get gauge(r: reading) -> gauge"], "What measured it."),
    entry(
        &["fn get product(r: reading) -> String"],
        "What the piece is to become, where the plant description declares products; may be not known.",
    ),
    entry(
        &["fn get stratum(r: reading) -> String"],
        "The piece's value of the stratum that the rule looks at; may be not known.",
    ),
    entry(
        &["fn get strata(r: reading) -> strata"],
        "The piece's values of every stratum, by name; each may be not known.",
    ),
];

const OF_VALUE: &[Entry] = &[
    entry(
        &["fn get deviation(value: quantity) -> quantity"],
        "How far from nominal, negative below it.",
    ),
    entry(
        &["fn get off_nominal(value: quantity) -> quantity"],
        "How far from nominal, to either side.",
    ),
];

const OF_COUNTER: &[Entry] = &[
    entry(
        &["fn get total(counter: counter) -> int"],
        "Marked pieces among the newest.",
    ),
    entry(
        &["fn get in_a_row(counter: counter) -> int"],
        "Marked pieces in a row around the piece just measured.",
    ),
    entry(
        &["fn get pieces(counter: counter) -> int"],
        "Pieces looked at, at most as many as declared.",
    ),
];

const OF_CHART: &[Entry] = &[
    entry(
        &["fn get signal(chart: chart) -> bool"],
        "Whether it is outside its limits, or shows a pattern of its run rules.",
    ),
    entry(
        &["fn get level(chart: chart) -> quantity"],
        "Where it is now: the mean of an ewma, the larger sum of a cusum, the newest single value; may be not known.",
    ),
    entry(
        &["fn get points(chart: chart) -> int"],
        "Values taken since the chart started.",
    ),
    entry(
        &["fn get side(chart: chart) -> String"],
        "Where a signal says the values went: above, below or both; not known without one.",
    ),
    entry(
        &["fn get pattern(chart: chart) -> String"],
        "The run rule that signals; not known where none does.",
    ),
    entry(
        &["fn get rate(chart: chart) -> quantity"],
        "How much the mean changes with each piece of the stratum; not known while it may have stepped, or stand.",
    ),
    entry(
        &["fn get left(chart: chart) -> left"],
        "Pieces of the stratum until the mean is at the tolerance limit it goes to, a whole number; not known where it goes to none.",
    ),
];

const OF_LEFT: &[Entry] = &[
    entry(
        &["fn get low(left: left) -> int"],
        "At least so many, with 90 % confidence together with `high`.",
    ),
    entry(&["fn get high(left: left) -> int"], "At most so many."),
];

const OF_GAUGE: &[Entry] = &[
    entry(
        &["fn get healthy(gauge: gauge) -> bool"],
        "Whether its last check against the standard was passed.",
    ),
    entry(
        &["fn get name(gauge: gauge) -> String"],
        "The gauge's name; may be not known.",
    ),
];

/// Every word, under what its part of the language is called.
const PARTS: &[(&str, &[Entry])] = &[
    ("The header: rule(\"…\").at(…).of(…) … .on_fault(…);", RULE),
    ("Words of the header", HEADER),
    ("Marks and charts, inside words of the header", IN_HEADER),
    (
        "Verdicts, which a handler returns: one, a list, or nothing",
        VERBS,
    ),
    ("Added to a hold", VERDICT),
    ("Quantities in units whose code is no name", UNIT),
    ("Helpers", HELPERS),
    (
        "Facts: fn reading(r) reads them as r.value, r.limit.name, …",
        FACTS,
    ),
    ("Of a value", OF_VALUE),
    ("Of a counter, r.name as the header calls it", OF_COUNTER),
    ("Of a chart, r.name as the header calls it", OF_CHART),
    ("Of what is left, r.name.left", OF_LEFT),
    ("Of the gauge, r.gauge", OF_GAUGE),
];

/// The definitions of the rule language for a plant: the text of a `.d.rhai` file, which editors read to complete
/// words and explain them. Stations, units, strata, roles and classes of the plant stand in it as comments.
#[must_use]
pub fn definitions(plant: &Plant) -> String {
    let mut text = String::from("module static;\n");
    for (part, entries) in PARTS {
        let _ = write!(text, "\n// {part}\n");
        for entry in *entries {
            for declared in entry.declared {
                let _ = write!(text, "\n/// {}\n{declared};\n", entry.says);
            }
        }
    }
    text.push_str(&names(plant));
    text
}

/// The names of a plant, as comments.
fn names(plant: &Plant) -> String {
    let mut lines = vec![format!("Line {}", plant.line.base), String::new()];
    lines.push("Stations, in order of place, and what is measured there:".into());
    for station in &plant.stations {
        lines.push(format!(
            "  {}, where pieces are {}",
            station.name, station.condition
        ));
        let known = station.characteristics.iter();
        lines.extend(known.flat_map(|known| characteristic(station, known)));
    }
    let mut part = |name: &str, of: Vec<String>| {
        if !of.is_empty() {
            lines.push(String::new());
            lines.push(format!("{name}:"));
            lines.extend(of.into_iter().map(|one| format!("  {one}")));
        }
    };
    let strata = plant.strata.iter().map(|stratum| {
        let values = match stratum.values.as_slice() {
            [] => "any value".to_owned(),
            values => values.join(", "),
        };
        format!("{}: {values}", stratum.name)
    });
    let products = plant.products.iter().map(ToString::to_string);
    part("Products", products.collect());
    part("Strata", strata.collect());
    part(
        "Roles",
        plant
            .roles
            .iter()
            .map(|role| role.name.to_string())
            .collect(),
    );
    part(
        "Classes of holds",
        plant.class_names().map(str::to_owned).collect(),
    );
    let mut text = String::from("\n");
    for line in lines {
        text.push_str(format!("// {line}").trim_end());
        text.push('\n');
    }
    text
}

/// What is measured there, and what it is held against; by product where that differs.
fn characteristic(station: &Station, known: &Characteristic) -> Vec<String> {
    let (name, unit) = (&known.name, known.scale.unit().code());
    let mut line = format!("    .at(\"{}\").of(\"{name}\", \"{unit}\")", station.name);
    let aimed = |aims: &Aims| {
        let given = [
            ("nominal", aims.nominal),
            ("not below", aims.lower),
            ("not above", aims.upper),
        ];
        let given = given.into_iter();
        let given = given
            .filter_map(|(what, count)| Some(format!(", {what} {}", known.scale.text(count?))));
        given.collect::<String>()
    };
    let mut by_product = Vec::new();
    for (product, aims) in known.aims.each() {
        match product {
            None => line.push_str(&aimed(aims)),
            Some(product) => by_product.push(format!("      {product}{}", aimed(aims))),
        }
    }
    if let Some(per) = &known.per {
        let _ = write!(line, ", per {per}");
    }
    std::iter::once(line).chain(by_product).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::engine;
    use crate::rules::tests::plant;
    use crate::words;
    use chargehand_core::ByProduct;
    use std::collections::BTreeSet;

    /// The name and the number of values of a function, and whether it is a fact.
    fn signature(declared: &str) -> (&str, usize, bool) {
        let signature = declared.strip_prefix("fn ").expect("a function");
        let (name, given) = signature.split_once('(').expect("values");
        let given = given.split_once(')').expect("an end").0;
        let values = given.split(", ").filter(|value| !value.is_empty()).count();
        let fact = name.strip_prefix("get ");
        (fact.unwrap_or(name), values, fact.is_some())
    }

    #[test]
    fn every_word_of_the_language_is_defined_and_no_other() {
        let check = |entries: &[Entry], words: &[&str]| {
            let names = |entry: &Entry| {
                let names = entry.declared.iter().map(|declared| signature(declared).0);
                names.collect::<BTreeSet<&str>>()
            };
            let defined: Vec<&str> = entries.iter().flat_map(names).collect();
            assert_eq!(
                defined.len(),
                entries.len(),
                "each has one name: {defined:?}"
            );
            // A word of the tests is none of the language.
            let words = words.iter().copied().filter(|word| *word != "break_down");
            assert_eq!(
                defined,
                words.collect::<Vec<_>>(),
                "all, and in the same order"
            );
        };
        let verbs: Vec<&str> = words::verbs().collect();
        check(RULE, &[words::RULE]);
        check(HEADER, words::HEADER);
        check(IN_HEADER, words::IN_HEADER);
        check(VERBS, &verbs);
        check(VERDICT, words::VERDICT);
        check(UNIT, &[words::UNIT]);
        check(HELPERS, words::HELPERS);
        check(FACTS, words::FACTS);
        check(OF_VALUE, words::OF_VALUE);
        check(OF_COUNTER, words::OF_COUNTER);
        check(OF_CHART, words::OF_CHART);
        check(OF_LEFT, words::OF_LEFT);
        check(OF_GAUGE, words::OF_GAUGE);
    }

    /// The script engine itself is asked what it knows.
    #[test]
    fn what_is_defined_is_what_the_engine_has() {
        let engine = engine::tests::engine();
        let function =
            |info: rhai::FuncInfo| Some((info.metadata.name.to_string(), info.metadata.num_params));
        let known: BTreeSet<(String, usize)> = engine
            .collect_fn_metadata(None, function, true)
            .into_iter()
            .collect();
        for entry in PARTS.iter().flat_map(|(_, entries)| *entries) {
            assert!(entry.says.ends_with('.'), "{}", entry.says);
            for declared in entry.declared {
                let (name, values, fact) = signature(declared);
                let name = if fact {
                    format!("get${name}")
                } else {
                    name.to_owned()
                };
                assert!(
                    known.contains(&(name, values)),
                    "{declared}: the engine has none"
                );
            }
        }
    }

    #[test]
    fn what_differs_by_product_stands_under_it() {
        let mut plant = plant();
        plant.products = ["gp-24", "gp-28"].map(Into::into).into();
        let mass = &mut plant.stations[0].characteristics[0];
        let shared = mass.aims.of(None).expect("the same for all").clone();
        let own = Aims {
            nominal: Some(14_000),
            ..Aims::default()
        };
        let apart = [("gp-28".into(), own)].into();
        mass.aims = ByProduct::new(shared, apart, &plant.products);
        let expect = "//     .at(\"s30\").of(\"mass\", \"g\"), per mould\n\
            //       gp-24, nominal 1450.0 g, not below 1425.0 g, not above 1475.0 g\n\
            //       gp-28, nominal 1400.0 g\n";
        let text = definitions(&plant);
        assert!(text.contains(expect), "{text}");
        assert!(
            text.contains("// Products:\n//   gp-24\n//   gp-28\n"),
            "{text}"
        );
    }

    #[test]
    fn the_names_of_the_plant_stand_beside() {
        let text = definitions(&plant());
        assert!(text.starts_with("module static;\n"));
        for line in [
            "/// Stop the piece; a person decides.\nfn hold(why: String) -> verdict;\n",
            "fn get value(r: reading) -> quantity;",
            "//     .at(\"s30\").of(\"mass\", \"g\"), nominal 1450.0 g",
            "//   mould: M1",
        ] {
            assert!(text.contains(line), "{line}: {text}");
        }
    }
}
