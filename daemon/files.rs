//! The files of a line: its plant description, and the folder of rules that this names.

use crate::folder::{FolderFault, RulesFolder};
use chargehand_core::{Plant, State};
use chargehand_derive::description;
use chargehand_derive::{Derivation, Texts};
use chargehand_script::Rulebook;
use std::fs;
use std::path::Path;

/// What one line is made of, read from its files.
#[derive(Clone, Debug)]
pub struct LineFiles {
    /// What faults call the plant description.
    pub name: String,
    /// Plant description and rulebook.
    pub texts: Texts,
}

/// The plant description or its rules are wrong: bad configuration, not a fault of the program.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct BadConfiguration(pub String);

impl LineFiles {
    /// Reads a plant description and the rulebook it names.
    ///
    /// # Errors
    /// A file cannot be read, or is wrong.
    pub fn read(plant: &Path) -> Result<Self, BadConfiguration> {
        let name = plant.display().to_string();
        let read = read_plant(plant)?;
        let folder = plant
            .parent()
            .unwrap_or(Path::new(""))
            .join(&read.plant.line.rules);
        let texts = Texts {
            plant: read.text,
            rulebook: read_rulebook(&folder)?.to_text(),
        };
        // Here, and not only on the line's thread: nothing is to start, no ledger to come into being, on wrong rules.
        Derivation::new(&texts, &name, State::default())
            .map_err(|fault| BadConfiguration(fault.to_string()))?;
        Ok(Self { name, texts })
    }
}

/// A plant description that was read.
pub(crate) struct PlantFile {
    pub(crate) plant: Plant,
    /// As it was typed.
    pub(crate) text: String,
    /// What of it is taken without effect.
    pub(crate) remarks: Vec<description::Fault>,
}

/// Reads a plant description.
pub(crate) fn read_plant(path: &Path) -> Result<PlantFile, BadConfiguration> {
    let name = path.display().to_string();
    let text = fs::read_to_string(path)
        .map_err(|error| BadConfiguration(format!("{name}: {error}: name a plant description")))?;
    let (plant, remarks) = description::described(&text, &name)
        .map_err(|faults| BadConfiguration(faults.to_string()))?;
    Ok(PlantFile {
        plant,
        text,
        remarks,
    })
}

/// The rules of a folder. What is not read there is said.
fn read_rulebook(path: &Path) -> Result<Rulebook, BadConfiguration> {
    let bad = |fault: FolderFault| BadConfiguration(fault.to_string());
    let folder = RulesFolder::open(path).map_err(bad)?;
    for left_out in folder.left_out() {
        tracing::warn!("{}/{left_out}", path.display());
    }
    folder.rulebook().map_err(bad)
}
