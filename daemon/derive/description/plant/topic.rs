//! A station's own topics: which messages are readings, and where their members are.
//!
//! Deliberately not here: applying a map to a message.

use super::super::typed::{Field, Table};
use super::station::{MEMBERS, Measured};
use super::{Declared, zone};
use chargehand_core::{CharacteristicName, Map, Of, Since1970, TopicMap};
use chargehand_measure::Unit;
use std::collections::BTreeMap;

/// Longest topic filter of MQTT, in bytes.
const FILTER_LEN_MAX: usize = 65_535;

/// The filters of all stations, each with what faults call it.
#[derive(Default)]
pub(super) struct Filters(Vec<(String, String)>);

/// The topics of one station.
pub(super) fn read(
    tables: Vec<Table<'_>>,
    measured: &[Measured],
    declared: &Declared,
    filters: &mut Filters,
) -> Vec<TopicMap> {
    tables
        .into_iter()
        .filter_map(|table| topic(table, measured, declared, filters))
        .collect()
}

fn topic(
    mut table: Table<'_>,
    measured: &[Measured],
    declared: &Declared,
    filters: &mut Filters,
) -> Option<TopicMap> {
    let label = table.label().to_owned();
    let filter = table.must("filter", "filter = \"cell7/scale/out\"");
    let filter = filter.and_then(|field| filter_checked(&field, label, declared, filters));
    let pieces = table
        .may("pieces")
        .map_or(Some(None), |field| rows(&field).map(Some));
    let map = table.must("map", "map = { piece = \"/nr\", mass = \"/kg\" }");
    let map = map.and_then(|field| members(&field, measured, declared));
    let units = table.may("unit").map_or(Some(BTreeMap::new()), |field| {
        units(&field, measured, declared)
    });
    let decimal_comma = table
        .may("decimal_comma")
        .map_or(Some(false), |field| field.flag());
    let zone = table
        .may("zone")
        .map_or(Some(None), |field| zone(&field).map(Some));
    table.finish();
    Some(TopicMap {
        filter: filter?,
        pieces: pieces?,
        map: map?,
        units: units?,
        decimal_comma: decimal_comma?,
        zone: zone?,
    })
}

fn filter_checked(
    field: &Field<'_>,
    label: String,
    declared: &Declared,
    filters: &mut Filters,
) -> Option<String> {
    let filter = field.text()?;
    if !is_filter(filter) {
        let wanted =
            "an MQTT topic filter: + only as a whole level, # only as the last, no $ in front";
        return field.wanted(wanted, "write the topic the station publishes on");
    }
    if let Some(base) = &declared.base
        && meet(filter, &format!("{base}/#"))
    {
        let wanted = format!("topics outside the line's own, {base}/#");
        return field.wanted(
            &wanted,
            "a station that speaks the contract needs no map: narrow the filter",
        );
    }
    let filters = &mut filters.0;
    if let Some((_, other)) = filters.iter().find(|(known, _)| meet(filter, known)) {
        let wanted = format!("no message in common with {other}");
        return field.wanted(
            &wanted,
            "each message is read once: make the filters distinct",
        );
    }
    filters.push((filter.to_owned(), label));
    Some(filter.to_owned())
}

/// Whether the text is a filter after MQTT 5.0, part 4.7. Those with `$` in front are the broker's own or
/// shared subscriptions, which would give this daemon only a part of the messages.
fn is_filter(text: &str) -> bool {
    let levels: Vec<&str> = text.split('/').collect();
    !text.is_empty()
        && text.len() <= FILTER_LEN_MAX
        && !text.starts_with('$')
        && !text.contains(char::is_control)
        && levels
            .iter()
            .enumerate()
            .all(|(index, level)| match *level {
                "+" => true,
                "#" => index + 1 == levels.len(),
                level => !level.contains(['+', '#']),
            })
}

/// Whether a topic could match both filters.
fn meet(a: &str, b: &str) -> bool {
    let (mut a, mut b) = (a.split('/'), b.split('/'));
    loop {
        match (a.next(), b.next()) {
            // `#` matches its parent level as well.
            (Some("#"), _) | (_, Some("#")) | (None, None) => return true,
            (Some(x), Some(y)) if x == y || x == "+" || y == "+" => {}
            _ => return false,
        }
    }
}

fn rows(field: &Field<'_>) -> Option<String> {
    let text = field.text()?;
    let rows = text
        .strip_suffix("/*")
        .filter(|rows| pointer_remedy(rows).is_none());
    if rows.is_none_or(|rows| rows.split('/').any(|token| token == "*")) {
        let wanted = "a JSON Pointer with one *, as its last token";
        return field.wanted(wanted, "write for example /rows/*");
    }
    Some(text.to_owned())
}

fn members(
    field: &Field<'_>,
    measured: &[Measured],
    declared: &Declared,
) -> Option<BTreeMap<String, Map>> {
    let mut map = BTreeMap::new();
    let table = field.table()?;
    let mut whole = true;
    for (member, place) in table.entries() {
        let found = known_member(member, &place, measured, declared);
        match (found, pointer(&place, member)) {
            (Some(()), Some(pointer)) => {
                map.insert(member.to_owned(), pointer);
            }
            _ => whole = false,
        }
    }
    whole &= complete(field, &table, measured);
    whole.then_some(map)
}

fn known_member(
    member: &str,
    place: &Field<'_>,
    measured: &[Measured],
    declared: &Declared,
) -> Option<()> {
    let strata: Vec<String> = declared
        .strata
        .names()
        .map(|name| format!("strata/{name}"))
        .collect();
    let product = declared.has_products().then_some("product");
    let known = MEMBERS
        .iter()
        .copied()
        .chain(product)
        .chain(strata.iter().map(String::as_str))
        .chain(
            measured
                .iter()
                .filter_map(|measured| measured.name.as_deref()),
        );
    if known.clone().any(|known| known == member) {
        return Some(());
    }
    place.unknown(
        member,
        known,
        "take it out, or declare the characteristic at this station",
    );
    None
}

/// Whether a map gives what a reading needs.
fn complete(field: &Field<'_>, table: &Table<'_>, measured: &[Measured]) -> bool {
    let mapped = |name: &str| table.entries().iter().any(|(member, _)| *member == name);
    let is_mapped = |one: &&Measured| one.name.as_deref().is_some_and(mapped);
    let characteristics: Vec<&Measured> = measured.iter().filter(is_mapped).collect();
    // Names that could not be read may be the ones mapped.
    if characteristics.is_empty() && measured.iter().all(|one| one.name.is_some()) {
        let what = format!(
            "{} has no characteristic; wanted at least one of this station's",
            field.name()
        );
        field.fault::<()>(
            what,
            "write where the measured value is, such as mass = \"/kg\"",
        );
        return false;
    }
    if let Some(of_piece) = characteristics.iter().find(|one| one.of == Some(Of::Piece))
        && !mapped("piece")
    {
        let name = of_piece.name.as_deref().unwrap_or_default();
        let what = format!(
            "{} has no piece; wanted one, as {name} is measured of pieces",
            field.name()
        );
        field.fault::<()>(
            what,
            "write where the piece's name is, such as piece = \"/nr\"",
        );
        return false;
    }
    true
}

fn pointer(place: &Field<'_>, member: &str) -> Option<Map> {
    if place.is_text() {
        return Some(Map {
            pointer: pointer_text(place)?,
            since_1970: None,
        });
    }
    let Some(mut table) = place.as_table() else {
        return place.wanted("a JSON Pointer", "write for example \"/nr\"");
    };
    let pointer = table
        .must("pointer", "pointer = \"/t\"")
        .and_then(|field| pointer_text(&field));
    let since = table.may("since_1970").map_or(Some(None), |field| {
        if member != "at" {
            let what = format!("{} is not known; wanted it only of at", field.name());
            return field.fault(what, "take it out");
        }
        field.choice(Since1970::ALL, Since1970::as_str).map(Some)
    });
    table.finish();
    Some(Map {
        pointer: pointer?,
        since_1970: since?,
    })
}

fn pointer_text(field: &Field<'_>) -> Option<String> {
    let text = field.text()?;
    match pointer_remedy(text) {
        None => Some(text.to_owned()),
        Some(remedy) => field.wanted("a JSON Pointer (RFC 6901)", &remedy),
    }
}

/// What to do about a text that is no pointer after RFC 6901, part 3.
fn pointer_remedy(text: &str) -> Option<String> {
    if !text.is_empty() && !text.starts_with('/') {
        return Some(format!(
            "write /{}",
            text.trim_start_matches(['$', '.']).replace('.', "/")
        ));
    }
    let escapes = text
        .split('~')
        .skip(1)
        .all(|rest| rest.starts_with(['0', '1']));
    (!escapes).then(|| "write ~0 for ~ and ~1 for / in a name".to_owned())
}

fn units(
    field: &Field<'_>,
    measured: &[Measured],
    declared: &Declared,
) -> Option<BTreeMap<CharacteristicName, Unit>> {
    let mut units = BTreeMap::new();
    let mut whole = true;
    for (name, field) in field.table()?.entries() {
        let names = measured.iter().filter_map(|one| one.name.as_deref());
        let Some(one) = measured
            .iter()
            .find(|one| one.name.as_deref() == Some(name))
        else {
            field.unknown(
                name,
                names,
                "take it out, or declare the characteristic at this station",
            );
            whole = false;
            continue;
        };
        match declared
            .unit(&field)
            .and_then(|unit| alike(&field, unit, one))
        {
            Some(unit) => {
                units.insert(CharacteristicName::from(name), unit);
            }
            None => whole = false,
        }
    }
    whole.then_some(units)
}

/// The unit, if values in it can be read as values of the characteristic.
fn alike(field: &Field<'_>, unit: Unit, measured: &Measured) -> Option<Unit> {
    // Where the characteristic's own unit is a fault, that is told already.
    let own = measured.unit.as_ref()?;
    if own.dimension() != unit.dimension() {
        let wanted = format!("a unit that converts to {own}");
        return field.wanted(&wanted, "correct one of the two units");
    }
    Some(unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of MQTT 5.0, part 4.7.1 (from memory), and some of our own.
    #[test]
    fn filters_are_those_of_mqtt() {
        let check = |filter: &str, expect: bool| assert_eq!(is_filter(filter), expect, "{filter}");
        check("sport/tennis/player1/#", true);
        check("#", true);
        check("+", true);
        check("+/tennis/#", true);
        check("sport/+/player1", true);
        check("/finance", true);
        check("sport/tennis#", false);
        check("sport/tennis/#/ranking", false);
        check("sport+", false);
        check("", false);
        check("$SYS/#", false);
        check("$share/group/sport", false);
        check("sport\0", false);
        check(&"a".repeat(65_535), true);
        check(&"a".repeat(65_536), false);
    }

    /// A filter without wildcards is a topic, so the standard's matches (4.7.1, from memory) are cases too.
    #[test]
    fn filters_meet_where_a_topic_matches_both() {
        let check = |a: &str, b: &str, expect: bool| {
            assert_eq!(meet(a, b), expect, "{a} {b}");
            assert_eq!(meet(b, a), expect, "{b} {a}");
        };
        check("sport/tennis/player1/#", "sport/tennis/player1", true);
        check(
            "sport/tennis/player1/#",
            "sport/tennis/player1/score/wimbledon",
            true,
        );
        check("sport/tennis/+", "sport/tennis/player1", true);
        check("sport/tennis/+", "sport/tennis/player1/ranking", false);
        check("sport/+", "sport", false);
        check("sport/+", "sport/", true);
        check("+/+", "/finance", true);
        check("/+", "/finance", true);
        check("+", "/finance", false);
        check("a/+/c", "+/b/c", true);
        check("a/+/c", "a/b/d", false);
        check("a/+", "b/#", false);
        check("#", "a/b", true);
    }

    /// The pointers of RFC 6901, part 5 (from memory), and texts that are none.
    #[test]
    fn pointers_are_those_of_the_rfc() {
        for pointer in [
            "", "/foo", "/foo/0", "/", "/a~1b", "/c%d", "/i\\j", "/k\"l", "/ ", "/m~0n",
        ] {
            assert_eq!(pointer_remedy(pointer), None, "{pointer}");
        }
        for text in ["foo", "#/foo", "/a~", "/a~2", "$.a"] {
            assert!(pointer_remedy(text).is_some(), "{text}");
        }
    }
}
