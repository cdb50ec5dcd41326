//! The plant description: what its words mean for the line as a whole.
//!
//! What is declared by name (strata, counts, classes, gauges) is read before the stations, which refer to
//! it; faults are put in order of place at the end. A name that is itself faulty still counts as
//! declared, so that one mistake is told once.
//!
//! Words of parts that do not exist yet are taken and told in [`Plant::without_effect`]: a description
//! may be written for what comes. The exception is `observe`, which would have the line commanded against
//! its description's word.
//!
//! Deliberately not here: files. The folder of rules is a name for others to open.

mod station;
mod topic;

use super::near;
use super::typed::{Field, Once, Table, meant, one_of};
use chargehand_core::{
    ClassName, Condition, Gauge, HoldClass, LineDescription, Permission, Plant, Role, Span,
    Standard, Stratum, Word,
};
use chargehand_measure::{CountError, Decimal, Scale, Unit, UnitError};
use jiff::tz::TimeZoneDatabase;
use std::collections::{BTreeMap, BTreeSet};

/// How far a source's clock may be off before that is an alarm.
const SKEW: Span = Span::from_secs(300);
/// How long a cause stays away before its alarm returns to normal.
const QUIET: Span = Span::from_secs(600);
/// How long a `released` is valid.
const VALID_S: i64 = 10;
/// The bounds of that: renewals come once a second, and a permission must not long outlive the daemon.
const VALID_S_BOUNDS: (i64, i64) = (2, 3600);
/// How many pieces without an open matter are remembered.
const PIECES_KEPT: usize = 100_000;

/// What a role may be allowed to ask for.
const VERBS: &[&str] = &[
    "place-hold",
    "recheck",
    "acknowledge",
    "release",
    "reroute",
    "concede",
    "shelve",
    "reset",
    "approve",
    "activate",
    "adopt",
    "close",
];
/// Those that are answered so far.
const VERBS_ANSWERED: &[&str] = &["place-hold", "release"];

/// Reads the whole description; `None` after noting at least one fault.
pub(super) fn read(mut top: Table<'_>) -> Option<Plant> {
    let line = top.must("line", "[line] and under it base = \"site/area/line\"");
    let line = line
        .and_then(|field| field.table())
        .and_then(line_description);
    let mut declared = Declared {
        base: line.as_ref().map(|line| line.base.clone()),
        ..Declared::default()
    };

    let strata = strata(top.tables("stratum", "name"), &mut declared);
    counts(top.tables("count", "name"), &mut declared);
    let classes = classes(top.tables("class", "name"), &mut declared);
    let mut gauges = gauges(top.tables("gauge", "name"), &mut declared);
    let routes_legal = routes_legal(top.tables("condition", "name"));
    let lanes = top
        .may("lanes")
        .and_then(|field| field.table())
        .map(lanes)
        .unwrap_or_else(lanes_unless_said);
    let roles = roles(top.tables("role", "name"), &declared);

    let stations = station::read(top.tables("station", "name"), &mut declared);
    if !declared.has_stations {
        top.fault(
            "no station; wanted at least one".to_owned(),
            "write [[station]] with name, place and condition",
        );
    }
    for gauge in &mut gauges {
        gauge.gauge.standard = gauge
            .standard
            .take()
            .and_then(|typed| standard(&typed, &declared));
    }
    top.without_effect(&["delegation", "stop"]);
    let without_effect = top.remarks();
    top.finish();
    Some(Plant {
        line: line?,
        strata,
        stations,
        gauges: gauges.into_iter().map(|typed| typed.gauge).collect(),
        roles,
        classes,
        routes_legal,
        lanes,
        without_effect,
    })
}

/// What stations and roles may refer to by name, and which gauges were referred to.
#[derive(Default)]
struct Declared {
    base: Option<String>,
    strata: Once,
    counts: Once,
    classes: Once,
    gauges: Once,
    uses: Vec<Use>,
    /// Whether a characteristic names a gauge that is not declared, perhaps meaning one that is.
    uses_unknown: bool,
    has_stations: bool,
}

/// A characteristic that names a gauge.
struct Use {
    gauge: String,
    label: String,
    /// Absent where the characteristic's own unit or resolution is a fault.
    scale: Option<Scale>,
}

impl Declared {
    /// The unit of that text: a UCUM code, or a count declared here.
    fn unit(&self, field: &Field<'_>) -> Option<Unit> {
        let text = field.text()?;
        if self.counts.has(text) {
            return Some(Unit::count(text));
        }
        let near_count =
            || near(text, self.counts.names()).map(|name| format!("did you mean {name}"));
        let (found, remedy) = match Unit::parse(text) {
            Ok(unit) => return Some(unit),
            Err(UnitError::Unknown { suggestion, .. }) => {
                let meant = || suggestion.map(|code| format!("did you mean {code}"));
                ("is not known", near_count().or_else(meant))
            }
            Err(UnitError::NotPlain { .. }) => (
                "does not say what is measured",
                Some("write the plain unit, or declare a [[count]]".to_owned()),
            ),
            Err(UnitError::NotLinear { .. }) => (
                "is not on a linear scale",
                Some("have the plain quantity sent".to_owned()),
            ),
        };
        let what = format!(
            "{} \"{text}\" {found}; wanted a UCUM code such as g, mm, um, Cel, % or a declared count",
            field.name()
        );
        let otherwise =
            || "write the UCUM code, or declare it with [[count]] if it is one".to_owned();
        field.fault(what, &remedy.unwrap_or_else(otherwise))
    }
}

fn line_description(mut line: Table<'_>) -> Option<LineDescription> {
    let base = line
        .must("base", "base = \"site/area/line\"")
        .and_then(|field| base(&field));
    let zone = line
        .must("zone", "zone = \"Europe/Berlin\"")
        .and_then(|field| zone(&field));
    let rules = line
        .must("rules", "rules = \"rules\"")
        .and_then(|field| rules(&field));
    let skew = line
        .may("skew_s")
        .map_or(Some(SKEW), |field| field.seconds());
    let quiet = line
        .may("quiet_s")
        .map_or(Some(QUIET), |field| field.seconds());
    let valid = line
        .may("valid_s")
        .map_or(Some(VALID_S), |field| valid_s(&field));
    let pieces_kept = line.may("pieces_kept").map_or(Some(PIECES_KEPT), |field| {
        field
            .whole(1)
            .map(|count| usize::try_from(count).unwrap_or(usize::MAX))
    });
    observe(&mut line);
    line.ignore("takt_s");
    line.finish();
    Some(LineDescription {
        base: base?,
        zone: zone?,
        rules: rules?,
        skew: skew?,
        quiet: quiet?,
        valid: Span::from_secs(valid?),
        pieces_kept: pieces_kept?,
    })
}

/// Refuses `observe = true`. Taking it without effect would command a line that asked to be left alone.
fn observe(table: &mut Table<'_>) {
    let Some(field) = table.may("observe") else {
        return;
    };
    if field.flag() == Some(true) {
        let what = format!("{} is not in this version", field.name());
        field.fault::<()>(what, "take the word out when chargehand may command");
    }
}

fn base(field: &Field<'_>) -> Option<String> {
    let text = field.text()?;
    let level = |level: &str| {
        !level.is_empty()
            && level
                .chars()
                .all(|c| matches!(c, 'a'..='z' | '0'..='9' | '-' | '_'))
    };
    if text.split('/').count() >= 3 && text.split('/').all(level) {
        return Some(text.to_owned());
    }
    let wanted = "site/area/line or deeper, each level of lower case letters, digits, - and _";
    let levels: Vec<String> = text
        .split('/')
        .filter(|level| !level.is_empty())
        .map(|level| level.to_lowercase().replace([' ', '.'], "-"))
        .collect();
    let remedy = if levels.len() >= 3 && levels.iter().all(|one| level(one)) {
        format!("write {}", levels.join("/"))
    } else {
        "write for example vennick/castware/l1".to_owned()
    };
    field.wanted(wanted, &remedy)
}

/// A time zone of the database compiled in: the machine's own could differ, and with it what a ledger means.
fn zone(field: &Field<'_>) -> Option<String> {
    let text = field.text()?;
    let database = TimeZoneDatabase::bundled();
    let names: Vec<String> = database
        .available()
        .map(|name| name.as_str().to_owned())
        .collect();
    if names.iter().any(|name| name == text) {
        return Some(text.to_owned());
    }
    let what = format!(
        "{} \"{text}\" is not known; wanted an IANA time zone",
        field.name()
    );
    let known = names.iter().map(String::as_str);
    field.fault(
        what,
        &meant(text, known, "write for example Europe/Berlin or UTC"),
    )
}

fn rules(field: &Field<'_>) -> Option<String> {
    let text = field.said()?;
    if text.starts_with(['/', '\\', '~']) || text.contains(':') {
        let wanted = "a folder relative to this file";
        return field.wanted(wanted, "write for example rules or ../rules");
    }
    Some(text.to_owned())
}

/// Whole seconds, because a message's expiry is counted in them.
fn valid_s(field: &Field<'_>) -> Option<i64> {
    let (least, most) = VALID_S_BOUNDS;
    let seconds = field.whole(least)?;
    if seconds > most {
        let wanted = format!("whole seconds from {least} to {most}");
        return field.wanted(
            &wanted,
            "keep it short, a permission must not outlive the daemon",
        );
    }
    Some(seconds)
}

fn strata(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<Stratum> {
    let read = |mut table: Table<'_>| {
        let name = table.must("name", "name = \"mould\"").and_then(|field| {
            let name = field.word()?;
            declared.strata.check(&field, name);
            if ["piece", "station", "lot"].contains(&name) {
                let what = format!(
                    "{} \"{name}\" has a meaning of its own; wanted another",
                    field.name()
                );
                return field.fault(what, "name what the pieces differ by, such as mould");
            }
            Some(name)
        });
        let values = table.may("values").map_or(Some(Vec::new()), |field| {
            let mut once = Once::default();
            let values = field.list()?.into_iter().filter_map(|one| {
                let value = one.said()?;
                once.check(&one, value);
                Some(value.to_owned())
            });
            Some(values.collect())
        });
        table.without_effect(&["cycle"]);
        table.finish();
        Some(Stratum {
            name: name?.into(),
            values: values?,
        })
    };
    tables.into_iter().filter_map(read).collect()
}

fn counts(tables: Vec<Table<'_>>, declared: &mut Declared) {
    for mut table in tables {
        if let Some(field) = table.must("name", "name = \"cycles\"")
            && let Some(name) = field.word()
        {
            declared.counts.check(&field, name);
            if Unit::parse(name).is_ok() {
                let what = format!(
                    "{} \"{name}\" is a unit already; wanted a count's own name",
                    field.name()
                );
                field.fault::<()>(what, "take the count out, or give it another name");
            }
        }
        table.finish();
    }
}

fn classes(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<HoldClass> {
    let read = |mut table: Table<'_>| {
        let name = table
            .must("name", "name = \"food-contact\"")
            .and_then(|field| {
                let name = field.word()?;
                declared.classes.check(&field, name);
                Some(name)
            });
        let second = table
            .may("second_person")
            .map_or(Some(false), |field| field.flag());
        table.finish();
        Some(HoldClass {
            name: name?.into(),
            second_person: second?,
        })
    };
    tables.into_iter().filter_map(read).collect()
}

/// A gauge before it is known what its standard is counted in.
struct GaugeTyped<'s> {
    gauge: Gauge,
    standard: Option<StandardTyped<'s>>,
}

/// A check standard in the numbers that were typed.
struct StandardTyped<'s> {
    gauge: String,
    field: Field<'s>,
    nominal: (Field<'s>, Decimal),
    within: (Field<'s>, Decimal),
}

fn gauges<'s>(tables: Vec<Table<'s>>, declared: &mut Declared) -> Vec<GaugeTyped<'s>> {
    let read = |mut table: Table<'s>| {
        let name = table.must("name", "name = \"lc-1\"").and_then(|field| {
            let name = field.said()?;
            declared.gauges.check(&field, name);
            Some(name)
        });
        let standard = table
            .may("standard")
            .and_then(|field| standard_typed(name?, field));
        table.without_effect(&["tests", "suspects_act_at"]);
        table.finish();
        Some(GaugeTyped {
            gauge: Gauge {
                name: name?.into(),
                standard: None,
            },
            standard,
        })
    };
    tables.into_iter().filter_map(read).collect()
}

fn standard_typed<'s>(gauge: &str, field: Field<'s>) -> Option<StandardTyped<'s>> {
    let mut table = field.table()?;
    let number =
        |field: Option<Field<'s>>| field.and_then(|field| Some((field.clone(), field.number()?)));
    let nominal = number(table.must("nominal", "nominal = 1000"));
    let within = number(table.must("within", "within = 2"));
    table.without_effect(&["every"]);
    table.finish();
    let within = within.and_then(|(field, number)| {
        if number < Decimal::ZERO {
            return field.wanted(
                "a number from 0 up",
                "write how far off a healthy gauge may read",
            );
        }
        Some((field, number))
    });
    Some(StandardTyped {
        gauge: gauge.to_owned(),
        field,
        nominal: nominal?,
        within: within?,
    })
}

/// Counts a standard in the one scale its gauge is used with.
fn standard(typed: &StandardTyped<'_>, declared: &Declared) -> Option<Standard> {
    let uses: Vec<&Use> = declared
        .uses
        .iter()
        .filter(|used| used.gauge == typed.gauge)
        .collect();
    let Some(first) = uses.first() else {
        if declared.uses_unknown {
            return None;
        }
        let what = format!(
            "{} belongs to no characteristic; wanted one",
            typed.field.name()
        );
        let remedy = format!(
            "write gauge = \"{}\" at the characteristic it measures",
            typed.gauge
        );
        return typed.field.fault(what, &remedy);
    };
    let scale = first.scale.as_ref()?;
    for other in &uses[1..] {
        let unlike = other.scale.as_ref()?;
        if unlike != scale {
            let what = format!(
                "{} would be counted in steps of {} {} ({}) and of {} {} ({}); wanted one scale",
                typed.field.name(),
                scale.resolution(),
                scale.unit(),
                first.label,
                unlike.resolution(),
                unlike.unit(),
                other.label,
            );
            return typed.field.fault(
                what,
                "give them the same unit and resolution, or a gauge each",
            );
        }
    }
    let nominal = count(&typed.nominal, scale);
    let within = count(&typed.within, scale);
    Some(Standard {
        nominal: nominal?,
        within: within?,
    })
}

/// A typed number in whole steps of a scale.
fn count((field, number): &(Field<'_>, Decimal), scale: &Scale) -> Option<i64> {
    let (resolution, unit) = (scale.resolution(), scale.unit());
    match scale.count_exact(*number) {
        Ok(count) => Some(count),
        Err(CountError::TooFine { nearest, .. }) => field.fault(
            format!(
                "{} is {number}; wanted whole steps of the resolution, {resolution} {unit}",
                field.name()
            ),
            &format!("write {nearest} or make the resolution finer"),
        ),
        Err(CountError::OutOfRange(_)) => field.fault(
            format!(
                "{} is {number}; wanted what can be counted in steps of {resolution} {unit}",
                field.name()
            ),
            "correct the number or make the resolution coarser",
        ),
    }
}

/// What is legal by condition, unless the description says otherwise.
fn routes_usual(condition: Condition) -> &'static [Word] {
    match condition {
        Condition::AsCast => &[Word::Remelt, Word::Scrap],
        Condition::Machined | Condition::Blasted | Condition::Washed => {
            &[Word::Rework, Word::Scrap]
        }
        Condition::WetCoat | Condition::InOven | Condition::Packed => &[],
        Condition::Cured | Condition::Ground | Condition::Marked => {
            &[Word::Rework, Word::Regrade, Word::Scrap]
        }
    }
}

/// Whether pieces carry coating. A fluoropolymer coating in a bath of molten metal gives off toxic fume, so
/// no description can make remelt legal for them.
const fn is_coated(condition: Condition) -> bool {
    match condition {
        Condition::AsCast | Condition::Machined | Condition::Blasted | Condition::Washed => false,
        Condition::WetCoat
        | Condition::InOven
        | Condition::Cured
        | Condition::Ground
        | Condition::Marked
        | Condition::Packed => true,
    }
}

fn routes_legal(tables: Vec<Table<'_>>) -> BTreeMap<Condition, BTreeSet<Word>> {
    let usual = |condition: &Condition| {
        (
            *condition,
            routes_usual(*condition).iter().copied().collect(),
        )
    };
    let mut legal: BTreeMap<Condition, BTreeSet<Word>> = Condition::ALL.iter().map(usual).collect();
    let mut once = Once::default();
    for mut table in tables {
        let condition = table.must("name", "name = \"machined\"").and_then(|field| {
            let condition = field.choice(Condition::ALL, Condition::as_str)?;
            once.check(&field, condition.as_str());
            Some(condition)
        });
        let routes = table.must("routes", "routes = [\"rework\", \"scrap\"]");
        if let Some(routes) = routes.and_then(|field| field.list()) {
            let words = routes
                .iter()
                .filter_map(|field| legal_route(field, condition))
                .collect();
            if let Some(condition) = condition {
                legal.insert(condition, words);
            }
        }
        table.finish();
    }
    legal
}

fn legal_route(field: &Field<'_>, condition: Option<Condition>) -> Option<Word> {
    if let Some(word) = Word::parse(field.text()?).filter(|word| !word.is_route()) {
        let what = format!(
            "{} has {word}, which is legal everywhere; wanted only routes",
            field.name()
        );
        return field.fault(what, "take it out");
    }
    let routes: Vec<Word> = Word::ALL
        .iter()
        .copied()
        .filter(|word| word.is_route())
        .collect();
    let word = field.choice(&routes, Word::as_str)?;
    if word == Word::Remelt && condition.is_some_and(is_coated) {
        let what = format!(
            "{} has remelt, which is never legal for a coated piece: the bath would drive toxic fume out of the coating",
            field.name()
        );
        return field.fault(what, "take remelt out");
    }
    Some(word)
}

/// A route without a lane of its own name could not be obeyed, so each has one from the start.
fn lanes_unless_said() -> BTreeMap<Word, String> {
    [
        (Word::Remelt, "returns"),
        (Word::Rework, "rework"),
        (Word::Regrade, "regrade"),
        (Word::Scrap, "scrap"),
    ]
    .into_iter()
    .map(|(word, lane)| (word, lane.to_owned()))
    .collect()
}

fn lanes(mut table: Table<'_>) -> BTreeMap<Word, String> {
    let mut lanes = lanes_unless_said();
    for word in Word::ALL.iter().filter(|word| word.is_route()) {
        if let Some(lane) = table.may(word.as_str()).and_then(|field| field.word()) {
            lanes.insert(*word, lane.to_owned());
        }
    }
    table.finish();
    lanes
}

fn roles(tables: Vec<Table<'_>>, declared: &Declared) -> Vec<Role> {
    let mut once = Once::default();
    let read = |mut table: Table<'_>| {
        let name = table
            .must("name", "name = \"shift-lead\"")
            .and_then(|field| {
                let name = field.said()?;
                if name.contains(['/', '+', '#', ' ']) {
                    let wanted = "one topic level, without /, +, # and spaces";
                    return field.wanted(wanted, "write for example shift-lead");
                }
                once.check(&field, name);
                Some(name)
            });
        let may = table.must("may", "may = [\"release:process-minor\"]");
        let may = may.and_then(|field| field.list()).map(|permissions| {
            let permission =
                |field: &Field<'_>| permission(field, name.unwrap_or_default(), declared);
            permissions.iter().filter_map(permission).collect()
        });
        table.finish();
        Some(Role {
            name: name?.into(),
            may: may?,
        })
    };
    tables.into_iter().filter_map(read).collect()
}

fn permission(field: &Field<'_>, role: &str, declared: &Declared) -> Option<Permission> {
    let text = field.text()?;
    let (verb, class) = match text.split_once(':') {
        Some((verb, class)) => (verb, Some(class)),
        None => (text, None),
    };
    if !VERBS.contains(&verb) {
        field.not_among(verb, VERBS.iter().copied(), "write one of them");
        return None;
    }
    if let Some(class) = class {
        if verb != "release" {
            let what = format!(
                "{} \"{text}\" names a class; wanted that only of release",
                field.name()
            );
            return field.fault(what, &format!("write {verb}"));
        }
        let known = declared.classes.names().chain(
            // It exists without being declared, and may be declared for its second person.
            (!declared.classes.has(Plant::CLASS_DEFAULT)).then_some(Plant::CLASS_DEFAULT),
        );
        if !known.clone().any(|known| known == class) {
            let what = format!(
                "{} \"{text}\" names class {class}, which is not known; wanted {}",
                field.name(),
                one_of(known.clone())
            );
            return field.fault(what, &meant(class, known, "declare it with [[class]]"));
        }
    }
    if !VERBS_ANSWERED.contains(&verb) {
        field.remark(&format!("role {role}: {verb}"));
    }
    Some(Permission {
        verb: verb.to_owned(),
        class: class.map(ClassName::from),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::{Faults, plant};
    use chargehand_core::{Effect, GateKind, Map, Of, Since1970};

    const GOOD: &str = r#"[line]
base = "vennick/castware/l1"
zone = "Europe/Berlin"
takt_s = 24
rules = "rules"
quiet_s = 90.5

[lanes]
remelt = "returns"
rework = "bench"

[[stratum]]
name = "mould"
values = ["M1", "M2"]
[[stratum]]
name = "heat"

[[count]]
name = "cycles"

[[class]]
name = "food-contact"
second_person = true

[[condition]]
name = "machined"
routes = ["rework", "scrap", "remelt"]

[[gauge]]
name = "lc-1"
standard = { nominal = 1000, within = 2.5 }

[[station]]
name = "s60"
place = 44
condition = "blasted"
gate = { kind = "lane", within_s = 60, effect = "stop-loading", place = 50 }
[[station.characteristic]]
name = "roughness"
unit = "um"
resolution = 0.01
lower = 2.50
upper = 4
[[station.characteristic]]
name = "wear"
unit = "cycles"
resolution = 100
of = "station"

[[station]]
name = "s30"
place = 4
condition = "as-cast"
gate = { kind = "diverter", within_s = 3, effect = "divert" }
[[station.characteristic]]
name = "mass"
unit = "g"
nominal = 1450
lower = 1425
upper = 1475
plausible = [200, 3000]
resolution = 0.1
per = "mould"
gauge = "lc-1"
[[station.topic]]
filter = "cell7/scale/out"
pieces = "/rows/*"
map = { piece = "/nr", mass = "/kg", at = { pointer = "/t", since_1970 = "ms" }, "strata/mould" = "/m" }
unit = { mass = "kg" }
decimal_comma = true
zone = "Europe/Berlin"

[[role]]
name = "shift-lead"
may = ["release:process-minor"]
[[role]]
name = "quality"
may = ["release", "release:food-contact"]
"#;

    fn faults(text: &str) -> String {
        match plant(text, "l1.toml") {
            Ok(_) => String::new(),
            Err(faults) => faults.to_string(),
        }
    }

    #[test]
    fn a_good_description_means_what_it_says() {
        let plant = plant(GOOD, "l1.toml").expect("no fault");
        assert_eq!(plant.line.base, "vennick/castware/l1");
        assert_eq!(plant.line.zone, "Europe/Berlin");
        assert_eq!(plant.line.rules, "rules");
        assert_eq!(plant.line.skew, Span::from_secs(300));
        assert_eq!(plant.line.quiet, Span::from_millis(90_500));
        assert_eq!(plant.line.valid, Span::from_secs(10));
        assert_eq!(plant.line.pieces_kept, 100_000);
        assert_eq!(plant.strata[0].values, ["M1", "M2"]);
        assert!(plant.strata[1].values.is_empty());
        assert!(plant.second_person(&"food-contact".into()));
        assert_eq!(plant.lanes[&Word::Remelt], "returns");
        assert_eq!(plant.without_effect, [""; 0]);

        let names: Vec<&str> = plant
            .stations
            .iter()
            .map(|station| station.name.as_str())
            .collect();
        assert_eq!(names, ["s30", "s60"], "in order of place, not of the text");
        let gate = plant.stations[0].gate.as_ref().expect("a gate");
        assert_eq!(
            (gate.kind, gate.place, gate.within),
            (GateKind::Diverter, 4, Span::from_secs(3))
        );
        let gate = plant.stations[1].gate.as_ref().expect("a gate");
        assert_eq!((gate.effect, gate.place), (Effect::StopLoading, 50));

        let mass = plant.stations[0].characteristic("mass").expect("declared");
        assert_eq!(
            (mass.lower, mass.nominal, mass.upper),
            (Some(14250), Some(14500), Some(14750))
        );
        assert_eq!((mass.plausible, mass.of), (Some((2000, 30000)), Of::Piece));
        assert_eq!(mass.per.as_ref().expect("declared").as_str(), "mould");
        let wear = plant.stations[1].characteristic("wear").expect("declared");
        assert_eq!(
            (wear.scale.text(3), wear.of),
            ("300 cycles".to_owned(), Of::Station)
        );
        let standard = plant.gauges[0].standard.as_ref().expect("declared");
        assert_eq!((standard.nominal, standard.within), (10000, 25));

        let topic = &plant.stations[0].topics[0];
        assert_eq!(
            (topic.pieces.as_deref(), topic.decimal_comma),
            (Some("/rows/*"), true)
        );
        let at = Map {
            pointer: "/t".to_owned(),
            since_1970: Some(Since1970::Millis),
        };
        assert_eq!(topic.map["at"], at);
        assert_eq!(topic.map["strata/mould"].pointer, "/m");
        assert_eq!(topic.units["mass"].code(), "kg");

        let lead = plant.role("shift-lead").expect("declared");
        assert!(lead.may("release", &"process-minor".into()));
        assert!(!lead.may("release", &"food-contact".into()));
    }

    #[test]
    fn remelt_is_legal_only_for_bare_metal() {
        let legal = plant(GOOD, "l1.toml").expect("no fault").routes_legal;
        let check = |condition, expect: &[Word]| {
            assert_eq!(
                legal[&condition],
                expect.iter().copied().collect(),
                "{condition}"
            );
        };
        check(Condition::AsCast, &[Word::Remelt, Word::Scrap]);
        check(
            Condition::Machined,
            &[Word::Rework, Word::Scrap, Word::Remelt],
        );
        check(Condition::Blasted, &[Word::Rework, Word::Scrap]);
        check(Condition::Washed, &[Word::Rework, Word::Scrap]);
        check(Condition::WetCoat, &[]);
        check(Condition::InOven, &[]);
        check(
            Condition::Cured,
            &[Word::Rework, Word::Regrade, Word::Scrap],
        );
        check(
            Condition::Ground,
            &[Word::Rework, Word::Regrade, Word::Scrap],
        );
        check(
            Condition::Marked,
            &[Word::Rework, Word::Regrade, Word::Scrap],
        );
        check(Condition::Packed, &[]);
        assert_eq!(legal.len(), Condition::ALL.len());
    }

    #[test]
    fn a_coated_condition_never_takes_remelt() {
        for condition in Condition::ALL
            .iter()
            .filter(|condition| is_coated(**condition))
        {
            let text = GOOD.replace("name = \"machined\"", &format!("name = \"{condition}\""));
            let expect = format!(
                "l1.toml:27:30: condition \"{condition}\": routes has remelt, which is never legal for a coated piece: \
                 the bath would drive toxic fume out of the coating: take remelt out"
            );
            assert_eq!(faults(&text), expect);
        }
    }

    #[test]
    fn words_of_parts_to_come_are_taken_and_told() {
        let mut text = GOOD.to_owned();
        for (from, to) in [
            (
                "values = [\"M1\", \"M2\"]",
                "values = [\"M1\", \"M2\"]\ncycle = \"piece\"",
            ),
            (
                "place = 4\n",
                "place = 4\norder = \"fifo\"\nobserve = false\n",
            ),
            (
                "per = \"mould\"",
                "per = \"mould\"\nsigma = 0.7\nevidence = { sampled = 40 }",
            ),
            (
                "within = 2.5 }",
                "within = 2.5, every = \"2 h\" }\ntests = { stuck = 4 }",
            ),
            ("\"release\", ", "\"release\", \"place-hold\", \"shelve\", "),
            ("[[role]]", "[[stop]]\nfrom = \"10:00\"\n[[role]]"),
        ] {
            assert!(text.contains(from), "{from}");
            text = text.replacen(from, to, 1);
        }
        let plant = plant(&text, "l1.toml").expect("no fault");
        let expect = [
            "stratum mould: cycle",
            "gauge lc-1: standard: every",
            "gauge lc-1: tests",
            "station s30: order",
            "station s30: characteristic mass: sigma",
            "station s30: characteristic mass: evidence",
            "stop",
            "role quality: shelve",
        ];
        assert_eq!(plant.without_effect, expect);
    }

    /// One change to the good description, and every fault it makes, word for word.
    #[track_caller]
    fn check(from: &str, to: &str, expect: &[&str]) {
        assert_eq!(GOOD.matches(from).count(), 1, "{from:?} must be there once");
        let found = faults(&GOOD.replace(from, to));
        let expect: Vec<String> = expect
            .iter()
            .map(|line| format!("l1.toml:{line}"))
            .collect();
        assert_eq!(found, expect.join("\n"));
    }

    #[test]
    fn faults_of_the_text() {
        check(
            "takt_s = 24",
            "takt_s = ",
            &[
                "4:10: not TOML from here on, string values must be quoted, expected literal string: correct this first, the rest has not been read",
            ],
        );
        check(
            "zone = \"Europe/Berlin\"\ntakt_s",
            "base = \"a/b/c\"\nzone = \"Europe/Berlin\"\ntakt_s",
            &[
                "3:1: not TOML from here on, duplicate key: correct this first, the rest has not been read",
            ],
        );
        check(
            "[line]",
            "[lime]",
            &[
                "1:1: line is missing: write for example [line] and under it base = \"site/area/line\"",
                "1:2: lime is not known; wanted one of line, stratum, count, class, gauge, condition, lanes, role, station: did you mean line",
            ],
        );
        check(
            "[[count]]",
            "[count]",
            &[
                "18:1: count is a table; wanted a list of tables: write [[count]] before each",
                "46:8: station \"s60\": characteristic \"wear\": unit \"cycles\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
            ],
        );
        check(
            "[lanes]",
            "[[lanes]]",
            &["8:1: lanes is a list of tables; wanted one table: keep one, in single brackets"],
        );
    }

    #[test]
    fn faults_of_the_line() {
        check(
            "base = \"vennick/castware/l1\"\n",
            "",
            &["1:1: line: base is missing: write for example base = \"site/area/line\""],
        );
        check(
            "\"vennick/castware/l1\"",
            "\"/Vennick/Cast Ware/L1/\"",
            &[
                "2:8: line: base is the text \"/Vennick/Cast Ware/L1/\"; wanted site/area/line or deeper, each level of lower case letters, digits, - and _: write vennick/cast-ware/l1",
            ],
        );
        check(
            "\"vennick/castware/l1\"",
            "\"vennick/+/l1\"",
            &[
                "2:8: line: base is the text \"vennick/+/l1\"; wanted site/area/line or deeper, each level of lower case letters, digits, - and _: write for example vennick/castware/l1",
            ],
        );
        check(
            "\"vennick/castware/l1\"",
            "\"l1\"",
            &[
                "2:8: line: base is the text \"l1\"; wanted site/area/line or deeper, each level of lower case letters, digits, - and _: write for example vennick/castware/l1",
            ],
        );
        check(
            "\"Europe/Berlin\"\ntakt_s",
            "\"Europe/Belrin\"\ntakt_s",
            &[
                "3:8: line: zone \"Europe/Belrin\" is not known; wanted an IANA time zone: did you mean Europe/Berlin",
            ],
        );
        check(
            "\"Europe/Berlin\"\ntakt_s",
            "\"Somewhere\"\ntakt_s",
            &[
                "3:8: line: zone \"Somewhere\" is not known; wanted an IANA time zone: write for example Europe/Berlin or UTC",
            ],
        );
        check(
            "rules = \"rules\"",
            "rules = \"/etc/rules\"",
            &[
                "5:9: line: rules is the text \"/etc/rules\"; wanted a folder relative to this file: write for example rules or ../rules",
            ],
        );
        check(
            "rules = \"rules\"",
            "rulse = \"rules\"",
            &[
                "1:1: line: rules is missing: write for example rules = \"rules\"",
                "5:1: line: rulse is not known; wanted one of base, zone, rules, skew_s, quiet_s, valid_s, pieces_kept, observe: did you mean rules",
            ],
        );
        check(
            "quiet_s = 90.5",
            "quiet_s = \"90\"",
            &[
                "6:11: line: quiet_s is the text \"90\"; wanted a decimal number: write 90 without quotes",
            ],
        );
        check(
            "quiet_s = 90.5",
            "skew_s = 0",
            &[
                "6:10: line: skew_s is 0; wanted seconds above 0, at most ten years, at most 6 decimals: write seconds, such as 3 or 0.5",
            ],
        );
        check(
            "quiet_s = 90.5",
            "valid_s = 2.5",
            &[
                "6:11: line: valid_s is 2.5; wanted a whole number from 2 up: write it without decimals, such as 4",
            ],
        );
        check(
            "quiet_s = 90.5",
            "valid_s = 86400",
            &[
                "6:11: line: valid_s is 86400; wanted whole seconds from 2 to 3600: keep it short, a permission must not outlive the daemon",
            ],
        );
        check(
            "quiet_s = 90.5",
            "pieces_kept = 0",
            &["6:15: line: pieces_kept is 0; wanted a whole number from 1 up: write 1 or more"],
        );
        check(
            "quiet_s = 90.5",
            "observe = true",
            &[
                "6:11: line: observe is not in this version: take the word out when chargehand may command",
            ],
        );
    }

    #[test]
    fn faults_of_what_is_declared() {
        check(
            "remelt = \"returns\"",
            "accept = \"returns\"",
            &[
                "9:1: lanes: accept is not known; wanted one of rework, regrade, scrap, remelt: take it out",
            ],
        );
        check(
            "remelt = \"returns\"",
            "remelt = \"Returns bin\"",
            &[
                "9:10: lanes: remelt is the text \"Returns bin\"; wanted a lower case letter, then lower case letters, digits, - and _: write returns-bin",
            ],
        );
        check(
            "[\"M1\", \"M2\"]",
            "[\"M1\", \"M1\", 3]",
            &[
                "14:17: stratum \"mould\": values \"M1\" is taken, on line 14; wanted each once: rename one or take it out",
                "14:23: stratum \"mould\": values is 3; wanted a text: put it in quotes",
            ],
        );
        check(
            "name = \"heat\"",
            "name = \"mould\"",
            &[
                "16:8: stratum \"mould\": name \"mould\" is taken, on line 13; wanted each once: rename one or take it out",
            ],
        );
        check(
            "name = \"heat\"",
            "name = \"lot\"",
            &[
                "16:8: stratum \"lot\": name \"lot\" has a meaning of its own; wanted another: name what the pieces differ by, such as mould",
            ],
        );
        check(
            "name = \"cycles\"",
            "name = \"min\"",
            &[
                "19:8: count \"min\": name \"min\" is a unit already; wanted a count's own name: take the count out, or give it another name",
                "46:8: station \"s60\": characteristic \"wear\": unit \"cycles\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
            ],
        );
        check(
            "second_person = true",
            "second_person = \"yes\"",
            &[
                "23:17: class \"food-contact\": second_person is the text \"yes\"; wanted true or false: write true or false, without quotes",
            ],
        );
        check(
            "name = \"machined\"",
            "name = \"machnied\"",
            &[
                "26:8: condition \"machnied\": name \"machnied\" is not known; wanted one of as-cast, machined, blasted, washed, wet-coat, in-oven, cured, ground, marked, packed: did you mean machined",
            ],
        );
        check(
            "\"scrap\", \"remelt\"]",
            "\"accept\", \"remlt\"]",
            &[
                "27:21: condition \"machined\": routes has accept, which is legal everywhere; wanted only routes: take it out",
                "27:31: condition \"machined\": routes \"remlt\" is not known; wanted one of rework, regrade, scrap, remelt: did you mean remelt",
            ],
        );
        check(
            "within = 2.5 }",
            "within = 2.55 }",
            &[
                "31:39: gauge \"lc-1\": standard: within is 2.55; wanted whole steps of the resolution, 0.1 g: write 2.6 or make the resolution finer",
            ],
        );
        check(
            "within = 2.5 }",
            "within = -1 }",
            &[
                "31:39: gauge \"lc-1\": standard: within is -1; wanted a number from 0 up: write how far off a healthy gauge may read",
            ],
        );
        check(
            "within = 2.5 }",
            "with = 2.5 }",
            &[
                "31:12: gauge \"lc-1\": standard: within is missing: write for example within = 2",
                "31:30: gauge \"lc-1\": standard: with is not known; wanted one of nominal, within: take it out",
            ],
        );
        check(
            "gauge = \"lc-1\"\n",
            "",
            &[
                "31:12: gauge \"lc-1\": standard belongs to no characteristic; wanted one: write gauge = \"lc-1\" at the characteristic it measures",
            ],
        );
        check(
            "resolution = 100",
            "resolution = 100\ngauge = \"lc-1\"",
            &[
                "31:12: gauge \"lc-1\": standard would be counted in steps of 100 cycles (station \"s60\": characteristic \"wear\") and of 0.1 g (station \"s30\": characteristic \"mass\"); wanted one scale: give them the same unit and resolution, or a gauge each",
            ],
        );
    }

    #[test]
    fn faults_of_roles() {
        check(
            "\"shift-lead\"",
            "\"shift/lead\"",
            &[
                "74:8: role \"shift/lead\": name is the text \"shift/lead\"; wanted one topic level, without /, +, # and spaces: write for example shift-lead",
            ],
        );
        check(
            "\"shift-lead\"",
            "\"quality\"",
            &[
                "77:8: role \"quality\": name \"quality\" is taken, on line 74; wanted each once: rename one or take it out",
            ],
        );
        check(
            "\"release:process-minor\"",
            "\"relase:process-minor\"",
            &[
                "75:8: role \"shift-lead\": may \"relase\" is not known; wanted one of place-hold, recheck, acknowledge, release, reroute, concede, shelve, reset, approve, activate, adopt, close: did you mean release",
            ],
        );
        check(
            "\"release:process-minor\"",
            "\"release:food\"",
            &[
                "75:8: role \"shift-lead\": may \"release:food\" names class food, which is not known; wanted one of food-contact, process-minor: declare it with [[class]]",
            ],
        );
        check(
            "\"release:process-minor\"",
            "\"shelve:process-minor\"",
            &[
                "75:8: role \"shift-lead\": may \"shelve:process-minor\" names a class; wanted that only of release: write shelve",
            ],
        );
        check(
            "[\"release:process-minor\"]",
            "\"release\"",
            &[
                "75:7: role \"shift-lead\": may is the text \"release\"; wanted a list: write it in brackets, such as [\"a\", \"b\"]",
            ],
        );
    }

    #[test]
    fn faults_of_stations() {
        check(
            "name = \"s30\"\n",
            "",
            &["50:1: station 2: name is missing: write for example name = \"s30\""],
        );
        check(
            "name = \"s30\"",
            "name = \"S 30\"",
            &[
                "51:8: station \"S 30\": name is the text \"S 30\"; wanted a lower case letter, then lower case letters, digits, - and _: write s-30",
            ],
        );
        check(
            "name = \"s30\"",
            "name = \"s60\"",
            &[
                "51:8: station \"s60\": name \"s60\" is taken, on line 34; wanted each once: rename one or take it out",
            ],
        );
        check(
            "name = \"s30\"",
            "name = \"lab\"",
            &[
                "51:8: station \"lab\": name \"lab\" is a topic of the line's own; wanted another: name the station after its place, such as s30",
            ],
        );
        check(
            "place = 4\n",
            "plcae = 4\n",
            &[
                "50:1: station \"s30\": place is missing: write for example place = 4, in pieces after casting",
                "52:1: station \"s30\": plcae is not known; wanted one of name, place, condition, gate, order, observe, characteristic, topic: did you mean place",
            ],
        );
        check(
            "place = 4\n",
            "place = \"4\"\n",
            &[
                "52:9: station \"s30\": place is the text \"4\"; wanted a whole number from 0 up: write 4 without quotes",
            ],
        );
        check(
            "place = 4\n",
            "place = -1\nobserve = true\n",
            &[
                "52:9: station \"s30\": place is -1; wanted a whole number from 0 up: write 0 or more",
                "53:11: station \"s30\": observe is not in this version: take the word out when chargehand may command",
            ],
        );
        check(
            "place = 4\n",
            "place = 4\norder = \"lifo\"\n",
            &[
                "53:9: station \"s30\": order \"lifo\" is not known; wanted one of named, fifo, time: did you mean fifo",
            ],
        );
        check(
            "condition = \"as-cast\"",
            "condition = \"as-casted\"",
            &[
                "53:13: station \"s30\": condition \"as-casted\" is not known; wanted one of as-cast, machined, blasted, washed, wet-coat, in-oven, cured, ground, marked, packed: did you mean as-cast",
            ],
        );
        check(
            "kind = \"diverter\"",
            "kind = \"divertor\"",
            &[
                "54:17: station \"s30\": gate: kind \"divertor\" is not known; wanted one of diverter, lane, mark, final: did you mean diverter",
            ],
        );
        check(
            "within_s = 3,",
            "within_s = 0,",
            &[
                "54:40: station \"s30\": gate: within_s is 0; wanted seconds above 0, at most ten years, at most 6 decimals: write seconds, such as 3 or 0.5",
            ],
        );
        check(
            "effect = \"divert\" }",
            "}",
            &[
                "54:8: station \"s30\": gate: effect is missing: write for example effect = \"divert\"",
            ],
        );
        check(
            "place = 50",
            "place = 40",
            &[
                "37:73: station \"s60\": gate: place is 40; wanted the station's place or later, 44 or more: a gate stands behind what it judges: correct one of the two",
            ],
        );
        check(
            "gate = { kind = \"diverter\", within_s = 3, effect = \"divert\" }",
            "gate = \"diverter\"",
            &[
                "54:8: station \"s30\": gate is the text \"diverter\"; wanted a table: write it as { word = value, … }",
            ],
        );
        check(
            "[[station.topic]]",
            "[station.topic]",
            &[
                "65:1: station \"s30\": topic is a table; wanted a list of tables: write [[station.topic]] before each",
            ],
        );
    }

    #[test]
    fn faults_of_characteristics() {
        check(
            "name = \"mass\"",
            "name = \"seq\"",
            &[
                "56:8: station \"s30\": characteristic \"seq\": name \"seq\" is a member of every reading; wanted another: name what is measured, such as mass",
                "68:24: station \"s30\": topic \"cell7/scale/out\": map: mass is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, strata/heat, strata/mould: take it out, or declare the characteristic at this station",
                "69:10: station \"s30\": topic \"cell7/scale/out\": unit: mass is not known; wanted none, as none is declared: take it out, or declare the characteristic at this station",
            ],
        );
        check(
            "name = \"wear\"",
            "name = \"roughness\"",
            &[
                "45:8: station \"s60\": characteristic \"roughness\": name \"roughness\" is taken, on line 39; wanted each once: rename one or take it out",
            ],
        );
        check(
            "unit = \"g\"",
            "unit = \"gramm\"",
            &[
                "57:8: station \"s30\": characteristic \"mass\": unit \"gramm\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
            ],
        );
        check(
            "unit = \"um\"",
            "unit = \"micron\"",
            &[
                "40:8: station \"s60\": characteristic \"roughness\": unit \"micron\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: did you mean um",
            ],
        );
        check(
            "unit = \"um\"",
            "unit = \"grits\"",
            &[
                "40:8: station \"s60\": characteristic \"roughness\": unit \"grits\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the UCUM code, or declare it with [[count]] if it is one",
            ],
        );
        check(
            "unit = \"um\"",
            "unit = \"{tooth}\"",
            &[
                "40:8: station \"s60\": characteristic \"roughness\": unit \"{tooth}\" does not say what is measured; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: write the plain unit, or declare a [[count]]",
            ],
        );
        check(
            "unit = \"um\"",
            "unit = \"dB\"",
            &[
                "40:8: station \"s60\": characteristic \"roughness\": unit \"dB\" is not on a linear scale; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: have the plain quantity sent",
            ],
        );
        check(
            "unit = \"cycles\"",
            "unit = \"cycels\"",
            &[
                "46:8: station \"s60\": characteristic \"wear\": unit \"cycels\" is not known; wanted a UCUM code such as g, mm, um, Cel, % or a declared count: did you mean cycles",
            ],
        );
        check(
            "resolution = 0.1\n",
            "",
            &[
                "55:1: station \"s30\": characteristic \"mass\": resolution is missing: write for example resolution = 0.1, the smallest step that counts",
            ],
        );
        check(
            "resolution = 0.1\n",
            "resolution = 0\n",
            &[
                "62:14: station \"s30\": characteristic \"mass\": resolution is 0; wanted a number above 0: write the smallest step that counts, such as 0.1",
            ],
        );
        check(
            "resolution = 0.1\n",
            "resolution = 1e-20\n",
            &[
                "62:14: station \"s30\": characteristic \"mass\": resolution is 1e-20; wanted at most 9 significant digits, at most 12 decimals and at most 1000000000: write the smallest step that counts, such as 0.1",
            ],
        );
        check(
            "nominal = 1450",
            "nominal = 1450.05",
            &[
                "58:11: station \"s30\": characteristic \"mass\": nominal is 1450.05; wanted whole steps of the resolution, 0.1 g: write 1450.0 or make the resolution finer",
            ],
        );
        check(
            "nominal = 1450",
            "nominal = 1e25",
            &[
                "58:11: station \"s30\": characteristic \"mass\": nominal is 10000000000000000000000000; wanted what can be counted in steps of 0.1 g: correct the number or make the resolution coarser",
            ],
        );
        check(
            "nominal = 1450",
            "nominal = nan",
            &[
                "58:11: station \"s30\": characteristic \"mass\": nominal is nan; wanted a decimal number: write digits, such as 0.1",
            ],
        );
        check(
            "nominal = 1450",
            "nominal = 1480",
            &[
                "58:11: station \"s30\": characteristic \"mass\": nominal is 1480; wanted at most upper, which is 1475.0 g: correct one of the two",
            ],
        );
        check(
            "lower = 2.50",
            "lower = 4.01",
            &[
                "42:9: station \"s60\": characteristic \"roughness\": lower is 4.01; wanted at most upper, which is 4.00 um: correct one of the two",
            ],
        );
        check(
            "[200, 3000]",
            "[1430, 1470]",
            &[
                "61:13: station \"s30\": characteristic \"mass\": plausible is [1430, 1470]; wanted it to enclose lower, which is 1425.0 g: widen it, what is outside is taken for a broken reading",
                "61:13: station \"s30\": characteristic \"mass\": plausible is [1430, 1470]; wanted it to enclose upper, which is 1475.0 g: widen it, what is outside is taken for a broken reading",
            ],
        );
        check(
            "[200, 3000]",
            "[3000, 200]",
            &[
                "61:13: station \"s30\": characteristic \"mass\": plausible is [3000, 200]; wanted two numbers, the lowest and the highest that can be true: put the lower one first",
            ],
        );
        check(
            "[200, 3000]",
            "[200]",
            &[
                "61:13: station \"s30\": characteristic \"mass\": plausible is [200]; wanted two numbers, the lowest and the highest that can be true: write for example [200, 3000]",
            ],
        );
        check(
            "[200, 3000]",
            "\"200-3000\"",
            &[
                "61:13: station \"s30\": characteristic \"mass\": plausible is the text \"200-3000\"; wanted two numbers, the lowest and the highest that can be true: write for example [200, 3000]",
            ],
        );
        check(
            "of = \"station\"",
            "of = \"pieces\"",
            &[
                "48:6: station \"s60\": characteristic \"wear\": of \"pieces\" is not known; wanted one of piece, station: did you mean piece",
            ],
        );
        check(
            "per = \"mould\"",
            "per = \"mold\"",
            &[
                "63:7: station \"s30\": characteristic \"mass\": per \"mold\" is not known; wanted one of heat, mould: did you mean mould",
            ],
        );
        check(
            "gauge = \"lc-1\"",
            "gauge = \"ec-7\"",
            &[
                "64:9: station \"s30\": characteristic \"mass\": gauge \"ec-7\" is not known; wanted lc-1: declare it with [[gauge]]",
            ],
        );
        check(
            "gauge = \"lc-1\"",
            "guage = \"lc-1\"",
            &[
                "31:12: gauge \"lc-1\": standard belongs to no characteristic; wanted one: write gauge = \"lc-1\" at the characteristic it measures",
                "64:1: station \"s30\": characteristic \"mass\": guage is not known; wanted one of name, unit, resolution, of, per, gauge, lower, nominal, upper, plausible: did you mean gauge",
            ],
        );
    }

    #[test]
    fn faults_of_topics() {
        check(
            "\"cell7/scale/out\"",
            "\"cell7/sc#\"",
            &[
                "66:10: station \"s30\": topic \"cell7/sc#\": filter is the text \"cell7/sc#\"; wanted an MQTT topic filter: + only as a whole level, # only as the last, no $ in front: write the topic the station publishes on",
            ],
        );
        check(
            "\"cell7/scale/out\"",
            "\"$share/a/cell7\"",
            &[
                "66:10: station \"s30\": topic \"$share/a/cell7\": filter is the text \"$share/a/cell7\"; wanted an MQTT topic filter: + only as a whole level, # only as the last, no $ in front: write the topic the station publishes on",
            ],
        );
        check(
            "\"cell7/scale/out\"",
            "\"+/castware/#\"",
            &[
                "66:10: station \"s30\": topic \"+/castware/#\": filter is the text \"+/castware/#\"; wanted topics outside the line's own, vennick/castware/l1/#: a station that speaks the contract needs no map: narrow the filter",
            ],
        );
        check(
            "decimal_comma = true",
            "decimal_comma = true\n[[station.topic]]\nfilter = \"cell7/+/out\"\nmap = { piece = \"\", mass = \"/g\" }",
            &[
                "72:10: station \"s30\": topic \"cell7/+/out\": filter is the text \"cell7/+/out\"; wanted no message in common with station \"s30\": topic \"cell7/scale/out\": each message is read once: make the filters distinct",
            ],
        );
        check(
            "\"/rows/*\"",
            "\"/rows\"",
            &[
                "67:10: station \"s30\": topic \"cell7/scale/out\": pieces is the text \"/rows\"; wanted a JSON Pointer with one *, as its last token: write for example /rows/*",
            ],
        );
        check(
            "\"/rows/*\"",
            "\"/*/rows/*\"",
            &[
                "67:10: station \"s30\": topic \"cell7/scale/out\": pieces is the text \"/*/rows/*\"; wanted a JSON Pointer with one *, as its last token: write for example /rows/*",
            ],
        );
        check(
            "piece = \"/nr\", ",
            "pieces = \"/nr\", ",
            &[
                "68:7: station \"s30\": topic \"cell7/scale/out\": map has no piece; wanted one, as mass is measured of pieces: write where the piece's name is, such as piece = \"/nr\"",
                "68:9: station \"s30\": topic \"cell7/scale/out\": map: pieces is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, strata/heat, strata/mould, mass: did you mean piece",
            ],
        );
        check(
            "mass = \"/kg\", ",
            "",
            &[
                "68:7: station \"s30\": topic \"cell7/scale/out\": map has no characteristic; wanted at least one of this station's: write where the measured value is, such as mass = \"/kg\"",
            ],
        );
        check(
            "mass = \"/kg\", ",
            "mass = \"/kg\", mas = \"/kg\", ",
            &[
                "68:38: station \"s30\": topic \"cell7/scale/out\": map: mas is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, strata/heat, strata/mould, mass: did you mean mass",
            ],
        );
        check(
            "\"strata/mould\"",
            "\"strata/mold\"",
            &[
                "68:82: station \"s30\": topic \"cell7/scale/out\": map: strata/mold is not known; wanted one of piece, at, id, epoch, seq, gauge, attempt, strata/heat, strata/mould, mass: did you mean strata/mould",
            ],
        );
        check(
            "\"/nr\"",
            "\"$.rows.nr\"",
            &[
                "68:17: station \"s30\": topic \"cell7/scale/out\": map: piece is the text \"$.rows.nr\"; wanted a JSON Pointer (RFC 6901): write /rows/nr",
            ],
        );
        check(
            "\"/nr\"",
            "\"/n~r\"",
            &[
                "68:17: station \"s30\": topic \"cell7/scale/out\": map: piece is the text \"/n~r\"; wanted a JSON Pointer (RFC 6901): write ~0 for ~ and ~1 for / in a name",
            ],
        );
        check(
            "\"/nr\"",
            "7",
            &[
                "68:17: station \"s30\": topic \"cell7/scale/out\": map: piece is 7; wanted a JSON Pointer: write for example \"/nr\"",
            ],
        );
        check(
            "\"/nr\"",
            "{ pointer = \"/nr\", since_1970 = \"s\" }",
            &[
                "68:49: station \"s30\": topic \"cell7/scale/out\": map: piece: since_1970 is not known; wanted it only of at: take it out",
            ],
        );
        check(
            "\"ms\" }",
            "\"ns\" }",
            &[
                "68:74: station \"s30\": topic \"cell7/scale/out\": map: at: since_1970 \"ns\" is not known; wanted one of s, ms, us: did you mean s",
            ],
        );
        check(
            "\"ms\" }",
            "\"ms\", unit = \"s\" }",
            &[
                "68:80: station \"s30\": topic \"cell7/scale/out\": map: at: unit is not known; wanted one of pointer, since_1970: take it out",
            ],
        );
        check(
            "{ mass = \"kg\" }",
            "{ mass = \"mm\" }",
            &[
                "69:17: station \"s30\": topic \"cell7/scale/out\": unit: mass is the text \"mm\"; wanted a unit that converts to g: correct one of the two units",
            ],
        );
        check(
            "{ mass = \"kg\" }",
            "{ thickness = \"um\" }",
            &[
                "69:10: station \"s30\": topic \"cell7/scale/out\": unit: thickness is not known; wanted mass: take it out, or declare the characteristic at this station",
            ],
        );
        check(
            "decimal_comma = true",
            "decimal_comma = 1",
            &[
                "70:17: station \"s30\": topic \"cell7/scale/out\": decimal_comma is 1; wanted true or false: write true or false, without quotes",
            ],
        );
        check(
            "decimal_comma = true\nzone = \"Europe/Berlin\"",
            "decimal_comma = true\nzone = \"+01:00\"",
            &[
                "71:8: station \"s30\": topic \"cell7/scale/out\": zone \"+01:00\" is not known; wanted an IANA time zone: write for example Europe/Berlin or UTC",
            ],
        );
    }

    #[test]
    fn all_faults_at_once_in_order_of_place() {
        let text = "\
[[station]]
name = \"s30\"
plcae = 4
condition = \"as-casted\"
[[station.characteristic]]
name = \"mass\"
unit = \"g\"
nominal = \"1450\"
resolution = 0.1
";
        let expect = "\
l1.toml:1:1: line is missing: write for example [line] and under it base = \"site/area/line\"
l1.toml:1:1: station \"s30\": place is missing: write for example place = 4, in pieces after casting
l1.toml:3:1: station \"s30\": plcae is not known; wanted one of name, place, condition, gate, order, observe, \
characteristic, topic: did you mean place
l1.toml:4:13: station \"s30\": condition \"as-casted\" is not known; wanted one of as-cast, machined, blasted, \
washed, wet-coat, in-oven, cured, ground, marked, packed: did you mean as-cast
l1.toml:8:11: station \"s30\": characteristic \"mass\": nominal is the text \"1450\"; wanted a decimal number: \
write 1450 without quotes";
        assert_eq!(faults(text), expect);
    }

    #[test]
    fn an_empty_description_says_what_it_needs() {
        let expect = "\
l1.toml:1:1: line is missing: write for example [line] and under it base = \"site/area/line\"
l1.toml:1:1: no station; wanted at least one: write [[station]] with name, place and condition";
        assert_eq!(faults(""), expect);
    }

    /// Columns are characters, not bytes, so that an editor goes to the right place.
    #[test]
    fn places_are_counted_in_characters() {
        let text = GOOD.replace("gauge = \"lc-1\"", "\"gauge\" = \"µ\" # Größe\nper = 1");
        assert!(
            faults(&text).starts_with("l1.toml:65:1: not TOML"),
            "{}",
            faults(&text)
        );
        let text = GOOD.replace("{ piece = \"/nr\",", "{ piece = \"/größe\", bogus = \"\",");
        assert!(
            faults(&text).starts_with("l1.toml:68:27: "),
            "{}",
            faults(&text)
        );
        assert_eq!(faults(&GOOD.replace('\n', "\r\n")), "");
    }

    /// Goal: no text is refused without a word, and none brings the program down. Method: leave out each
    /// line of the good description, and put values of every kind in the place of each value.
    #[test]
    fn whatever_is_typed_there_is_an_answer() {
        let lines: Vec<&str> = GOOD.lines().collect();
        let mut refused = 0;
        let mut answer = |index: usize, line: &str| {
            let mut lines = lines.clone();
            lines[index] = line;
            let Err(Faults(faults)) = plant(&lines.join("\n"), "l1.toml") else {
                return;
            };
            refused += 1;
            for fault in faults {
                assert!((1..=lines.len()).contains(&fault.line), "{fault}");
                assert!(fault.column > 0 && !fault.what.is_empty() && !fault.remedy.is_empty());
            }
        };
        let values = [
            "1",
            "-1",
            "0.5",
            "inf",
            "9223372036854775807",
            "9e99",
            "\"\"",
            "\"x\"",
            "\"\\u0000\"",
            "true",
            "[]",
            "[1]",
            "[[]]",
            "{}",
            "{ a = 1 }",
            "[{}]",
            "2026-03-02",
            "",
        ];
        for (index, line) in lines.iter().enumerate() {
            answer(index, "");
            if let Some((word, _)) = line.split_once(" = ") {
                for value in values {
                    answer(index, &format!("{word} = {value}"));
                }
            }
        }
        assert!(refused > 500, "only {refused} texts were refused");
    }

    #[test]
    fn numbers_mean_what_their_digits_say() {
        let check = |from: &str, to: &str| {
            let plant = plant(&GOOD.replace(from, to), "l1.toml").expect("no fault");
            let mass = plant.stations[0].characteristic("mass").expect("declared");
            assert_eq!(
                (mass.lower, mass.nominal),
                (Some(14250), Some(14500)),
                "{to}"
            );
        };
        check("nominal = 1450", "nominal = 1.45e3");
        check("nominal = 1450", "nominal = +1_450.0");
        check("nominal = 1450", "nominal = 14500e-1");
        check("zone = \"Europe/Berlin\"\ntakt_s", "zone = \"UTC\"\ntakt_s");
    }
}
