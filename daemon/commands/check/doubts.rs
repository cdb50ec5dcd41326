//! What is legal in a plant description and most likely not meant.

use super::Finding;
use chargehand_core::{Characteristic, Plant, RequestVerb, Station};
use chargehand_measure::Unit;

/// Everything of it that is doubtful. `file` is what the description is called.
pub(super) fn of(plant: &Plant, file: &str) -> Vec<Finding> {
    let scales = plant
        .stations
        .iter()
        .flat_map(|station| station.characteristics.iter().map(move |of| (station, of)))
        .flat_map(|(station, of)| two_on_the_scale(station, of));
    let found = scales
        .chain(nobody_answers(plant))
        .chain(nobody_frees(plant));
    found
        .map(|(what, remedy)| Finding::of_file(file.to_owned(), what, remedy))
        .collect()
}

/// What was found, and what to do about it.
type Doubt = (String, String);

/// Masses add up: two pieces on one scale read as one that is twice as heavy, and that would be believed.
fn two_on_the_scale<'p>(
    station: &'p Station,
    of: &'p Characteristic,
) -> impl Iterator<Item = Doubt> + 'p {
    let gram = Unit::parse("g").expect("a unit");
    let mass = of.scale.unit().dimension() == gram.dimension();
    let aims = of.aims.each().filter(move |_| mass);
    aims.filter_map(|(product, aims)| {
        let ((_, high), nominal) = (aims.plausible?, aims.nominal?);
        let twice = nominal.checked_mul(2)?;
        let product = product.map_or_else(String::new, |product| format!(" of {product}"));
        (nominal > 0 && twice <= high).then(|| {
            let what = format!(
                "{} at {}{product}: plausible takes in {}, twice the nominal: two pieces on the scale would be believed",
                of.name,
                station.name,
                of.scale.text(twice)
            );
            (what, "write an upper end below that".to_owned())
        })
    })
}

fn nobody_answers(plant: &Plant) -> impl Iterator<Item = Doubt> {
    let owners = [
        (
            "automation",
            &plant.owners.automation,
            "rules, controllers, clocks and the broker",
        ),
        ("maintenance", &plant.owners.maintenance, "gauges"),
    ];
    let unknown =
        |(_, role, _): &(_, &chargehand_core::RoleName, _)| plant.role(role.as_str()).is_none();
    owners.into_iter().filter(unknown).map(|(duty, role, of)| {
        let what =
            format!("no role {role} is declared: nobody answers the engine's alarms of {of}");
        (
            what,
            format!("name the role that does: [owners] and under it {duty} = \"…\""),
        )
    })
}

fn nobody_frees(plant: &Plant) -> Option<Doubt> {
    let class = Plant::CLASS_NONCONFORMING;
    let frees = |role: &chargehand_core::Role| role.may(RequestVerb::Release, Some(&class.into()));
    (!plant.roles.iter().any(frees)).then(|| {
        let what = "no role may release what is out of tolerance: such a piece is held for ever"
            .to_owned();
        (
            what,
            format!("give it by name: may = [\"release:{class}\"]"),
        )
    })
}
