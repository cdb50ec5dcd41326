//! The plant description: what its words mean for the line as a whole.
//!
//! What is declared by name (strata, counts, classes, gauges) is read before the stations, which refer to
//! it; faults are put in order of place at the end. A name that is itself faulty still counts as
//! declared, so that one mistake is told once.
//!
//! Words of parts that do not exist yet are taken and told in [`Plant::without_effect`]: a description
//! may be written for what comes.
//!
//! Deliberately not here: files. The folder of rules is a name for others to open.

mod aims;
mod person;
mod process;
mod routes;
mod station;
mod topic;

use super::near;
use super::typed::{Field, Once, Table, meant, one_of};
use chargehand_core::{
    ClassName, Gauge, HoldClass, Irreversible, LineDescription, Owners, Permission, Plant,
    ProductName, RequestVerb, Requests, Role, Span, Standard, Stratum, Word,
};
use chargehand_measure::{CountError, Decimal, Scale, Unit, UnitError};
use jiff::tz::TimeZoneDatabase;
use std::collections::BTreeMap;

/// How far a source's clock may be off before that is an alarm.
const SKEW: Span = Span::from_secs(300);
/// How long a cause stays away before its alarm returns to normal.
const QUIET: Span = Span::from_secs(600);
/// How long a `released` is valid.
const VALID_S: i64 = 10;
/// The bounds of that: renewals come once a second, and a permission must not long outlive the daemon.
const VALID_S_BOUNDS: (i64, i64) = (2, 3600);
/// How far back a gauge's word is counted.
const PIECES_COUNTED_MAX: i64 = 1000;
/// How many pieces without an open matter are remembered.
const PIECES_KEPT: usize = 100_000;

/// Reads the whole description; `None` after noting at least one fault.
pub(super) fn read(mut top: Table<'_>) -> Option<Plant> {
    let mut declared = Declared::default();
    let line = top.must("line", "[line] and under it base = \"site/area/line\"");
    let line = line
        .and_then(|field| field.table())
        .and_then(|table| line_description(table, &mut declared));
    declared.base = line.as_ref().map(|line| line.base.clone());

    let products = products(top.tables("product", "name"), &mut declared);
    let strata = strata(top.tables("stratum", "name"), &mut declared);
    counts(top.tables("count", "name"), &mut declared);
    let classes = classes(top.tables("class", "name"), &mut declared);
    let mut gauges = gauges(top.tables("gauge", "name"), &mut declared);
    let routes_legal = routes::legal(top.tables("condition", "name"), &declared);
    let lanes = top
        .may("lanes")
        .and_then(|field| field.table())
        .map(lanes)
        .unwrap_or_else(lanes_unless_said);
    let roles = roles(top.tables("role", "name"), &mut declared);
    let persons = top.tables("person", "name");
    let owners = top
        .may("owners")
        .and_then(|field| field.table())
        .map(|table| owners(table, &declared.roles))
        .unwrap_or_default();

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
    let persons = person::read(persons, &stations, &declared);
    if let Some(line) = &line
        && line.requests == Requests::Proven
        && persons.is_empty()
    {
        top.fault(
            "line: requests is \"proven\", and no person is declared; wanted somebody who may ask"
                .to_owned(),
            "write [[person]] with name, as at the broker, and roles",
        );
    }
    top.without_effect(&["delegation", "stop"]);
    let without_effect = top.remarks();
    top.finish();
    Some(Plant {
        line: line?,
        products,
        strata,
        stations,
        gauges: gauges.into_iter().map(|typed| typed.gauge).collect(),
        roles,
        persons,
        owners,
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
    /// Whether the line only observes to begin with.
    observe: bool,
    products: Once,
    strata: Once,
    /// The values of each stratum; empty where any is taken.
    values: BTreeMap<String, Vec<String>>,
    counts: Once,
    classes: Once,
    roles: Once,
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
    /// Whether pieces are of several products.
    fn has_products(&self) -> bool {
        self.products.names().next().is_some()
    }

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

fn line_description(mut line: Table<'_>, declared: &mut Declared) -> Option<LineDescription> {
    let base = line
        .must("base", "base = \"site/area/line\"")
        .and_then(|field| base(&field));
    let zone = line
        .must("zone", "zone = \"Europe/Berlin\"")
        .and_then(|field| zone(&field));
    let rules = line
        .must("rules", "rules = \"rules\"")
        .and_then(|field| rules(&field));
    let requests = line
        .may("requests")
        .map_or(Some(Requests::Claimed), |field| {
            field.choice(Requests::ALL, Requests::as_str)
        });
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
    let takt = line
        .may("takt_s")
        .map_or(Some(None), |field| field.seconds().map(Some));
    declared.observe = observe(&mut line).unwrap_or(false);
    line.finish();
    Some(LineDescription {
        base: base?,
        zone: zone?,
        rules: rules?,
        requests: requests?,
        takt: takt?,
        skew: skew?,
        quiet: quiet?,
        valid: Span::from_secs(valid?),
        pieces_kept: pieces_kept?,
    })
}

/// Whether the line only observes there to begin with.
fn observe(table: &mut Table<'_>) -> Option<bool> {
    table
        .may("observe")
        .map_or(Some(false), |field| field.flag())
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

fn products(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<ProductName> {
    let read = |mut table: Table<'_>| {
        let name = table.must("name", "name = \"gp-24\"").and_then(|field| {
            let name = field.said()?;
            declared.products.check(&field, name);
            Some(name)
        });
        table.finish();
        name.map(ProductName::from)
    };
    tables.into_iter().filter_map(read).collect()
}

/// A name that must have been declared.
fn reference<'s>(field: &Field<'s>, declared: &Once, otherwise: &str) -> Option<&'s str> {
    let name = field.text()?;
    if !declared.has(name) {
        field.not_among(name, declared.names(), otherwise);
        return None;
    }
    Some(name)
}

fn strata(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<Stratum> {
    let read = |mut table: Table<'_>| {
        let name = table.must("name", "name = \"mould\"").and_then(|field| {
            let name = field.word()?;
            declared.strata.check(&field, name);
            let own = ["piece", "station", "lot"].contains(&name);
            if own || (name == "product" && declared.has_products()) {
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
            Some(values.collect::<Vec<String>>())
        });
        if let (Some(name), Some(values)) = (name, &values) {
            declared.values.insert(name.to_owned(), values.clone());
        }
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
    every: Option<Span>,
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
        let irreversible = table
            .may("irreversible")
            .map_or(Some(Irreversible::default()), |field| irreversible(&field));
        table.without_effect(&["tests", "suspects_act_at"]);
        table.finish();
        Some(GaugeTyped {
            gauge: Gauge {
                name: name?.into(),
                standard: None,
                irreversible: irreversible?,
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
    let every = table
        .may("every")
        .map_or(Some(None), |field| field.duration().map(Some));
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
        every: every?,
    })
}

/// How much that cannot be taken back is done on a gauge's word.
fn irreversible(field: &Field<'_>) -> Option<Irreversible> {
    let mut table = field.table()?;
    let most = table
        .must("most", "most = 3")
        .and_then(|field| field.whole(0));
    let of = table.must("of", "of = 10").and_then(|field| {
        let of = field.whole(1)?;
        if of > PIECES_COUNTED_MAX {
            let wanted = format!("at most {PIECES_COUNTED_MAX} pieces");
            return field.wanted(&wanted, "write of how many of the newest pieces");
        }
        Some(of)
    });
    table.finish();
    let (most, of) = (most?, of?);
    if most > of {
        let what = format!(
            "{} is {most} of {of}; wanted at most as many as they are of",
            field.name()
        );
        return field.fault(what, "write for example { most = 3, of = 10 }");
    }
    Some(Irreversible {
        most: u32::try_from(most).ok()?,
        of: u32::try_from(of).ok()?,
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
        every: typed.every,
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

/// A route without a lane of its own could not be obeyed, so each has one of its own name from the start.
fn lanes_unless_said() -> BTreeMap<Word, String> {
    let routes = Word::ALL.iter().filter(|word| word.is_route());
    routes
        .map(|word| (*word, word.as_str().to_owned()))
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

fn roles(tables: Vec<Table<'_>>, declared: &mut Declared) -> Vec<Role> {
    let read = |mut table: Table<'_>| {
        let name = table
            .must("name", "name = \"shift-lead\"")
            .and_then(|field| {
                let name = field.said()?;
                if name.contains(['/', '+', '#', ' ']) {
                    let wanted = "one topic level, without /, +, # and spaces";
                    return field.wanted(wanted, "write for example shift-lead");
                }
                declared.roles.check(&field, name);
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

/// The roles that answer the engine's own alarms: those that are named, else those called so.
fn owners(mut table: Table<'_>, roles: &Once) -> Owners {
    let mut owners = Owners::default();
    for (duty, owner) in [
        ("automation", &mut owners.automation),
        ("maintenance", &mut owners.maintenance),
    ] {
        let Some(field) = table.may(duty) else {
            continue;
        };
        let Some(text) = field.text() else { continue };
        if roles.has(text) {
            *owner = text.into();
        } else {
            field.not_among(text, roles.names(), "declare it with [[role]]");
        }
    }
    table.finish();
    owners
}

fn permission(field: &Field<'_>, role: &str, declared: &Declared) -> Option<Permission> {
    let text = field.text()?;
    let (verb, class) = match text.split_once(':') {
        Some((verb, class)) => (verb, Some(class)),
        None => (text, None),
    };
    let Some(asked) = RequestVerb::parse(verb) else {
        let verbs = RequestVerb::ALL.iter().map(|known| known.as_str());
        field.not_among(verb, verbs, "write one of them");
        return None;
    };
    if let Some(class) = class {
        if asked != RequestVerb::Release {
            let what = format!(
                "{} \"{text}\" names a class; wanted that only of release",
                field.name()
            );
            return field.fault(what, &format!("write {verb}"));
        }
        // They exist without being declared, and may be declared for their second person.
        let own = [Plant::CLASS_DEFAULT, Plant::CLASS_NONCONFORMING];
        let own = own.into_iter().filter(|own| !declared.classes.has(own));
        let known = declared.classes.names().chain(own);
        if !known.clone().any(|known| known == class) {
            let what = format!(
                "{} \"{text}\" names class {class}, which is not known; wanted {}",
                field.name(),
                one_of(known.clone())
            );
            return field.fault(what, &meant(class, known, "declare it with [[class]]"));
        }
    }
    if !asked.is_answered() {
        let remedy = "take it out, or keep it for the version that has it";
        field.remark(&format!("role {role}: {verb}"), remedy);
    }
    Some(Permission {
        verb: asked,
        class: class.map(ClassName::from),
    })
}

#[cfg(test)]
mod tests;
