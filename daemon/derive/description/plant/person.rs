//! Who asks, under a name that the broker checks.

use super::super::typed::{Field, Once, Table};
use super::{Declared, reference};
use chargehand_core::{Person, RoleName, Station};

/// What the daemon's own names at the broker begin with.
const DAEMONS: &str = "chargehand-";
/// Stands in the topic of a request for no role.
const NO_ROLE: &str = "-";

pub(super) fn read(
    tables: Vec<Table<'_>>,
    stations: &[Station],
    declared: &Declared,
) -> Vec<Person> {
    let mut names = Once::default();
    let read = |mut table: Table<'_>| {
        let name = table.must("name", "name = \"sl-e\", as at the broker");
        let name = name.and_then(|field| {
            let name = name_of(&field, stations)?;
            names.check(&field, name);
            Some(name)
        });
        let roles = table.must("roles", "roles = [\"shift-lead\"], or roles = [] for none");
        let roles = roles.and_then(|field| roles_of(&field, declared));
        table.finish();
        Some(Person {
            name: name?.to_owned(),
            roles: roles?,
        })
    };
    tables.into_iter().filter_map(read).collect()
}

/// A topic level, and a user of the broker's that is nobody else.
fn name_of<'s>(field: &Field<'s>, stations: &[Station]) -> Option<&'s str> {
    let name = field.said()?;
    if name.contains(['/', '+', '#', ':']) || name.contains(char::is_whitespace) {
        let wanted = "one topic level, without /, +, #, : and spaces";
        return field.wanted(wanted, "write the user's name at the broker, such as sl-e");
    }
    let taken = |whose: &str| {
        let what = format!(
            "{} \"{name}\" is {whose}; wanted a person's own",
            field.name()
        );
        field.fault(what, "give the person another user at the broker")
    };
    if name.starts_with(DAEMONS) {
        return taken("the daemon's name at the broker");
    }
    if stations.iter().any(|station| station.name.as_str() == name) {
        return taken("a station's name");
    }
    Some(name)
}

fn roles_of(field: &Field<'_>, declared: &Declared) -> Option<Vec<RoleName>> {
    let mut once = Once::default();
    let mut roles = Vec::new();
    for one in field.list()? {
        let role = reference(&one, &declared.roles, "declare it with [[role]]")?;
        if role == NO_ROLE {
            let what = format!(
                "{} \"{role}\" stands for no role in a topic; wanted another name",
                one.name()
            );
            return one.fault(what, "rename the role");
        }
        once.check(&one, role);
        roles.push(RoleName::from(role));
    }
    Some(roles)
}
