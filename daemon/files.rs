//! The files of a line: its plant description, and the folder of rules that this names.

use crate::folder::{FolderFault, RulesFolder};
use chargehand_derive::{Described, Regime, Texts};
use chargehand_script::Rulebook;
use std::fs;
use std::path::Path;

/// What one line is made of, read from its files. The rules are loaded by the line's own thread.
#[derive(Clone, Debug)]
pub struct LineFiles {
    /// Plant description and rulebook.
    pub texts: Texts,
    name: String,
    described: Described,
}

/// The plant description or its rules are wrong: bad configuration, not a fault of the program.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub struct BadConfiguration(pub String);

impl LineFiles {
    /// Reads a plant description and the rulebook it names.
    ///
    /// # Errors
    /// A file cannot be read, or the description is wrong.
    pub fn read(plant: &Path) -> Result<Self, BadConfiguration> {
        let PlantFile { text, described } = read_plant(plant)?;
        let folder = plant
            .parent()
            .unwrap_or(Path::new(""))
            .join(&described.plant().line.rules);
        Ok(Self {
            name: plant.display().to_string(),
            texts: Texts {
                plant: text,
                rulebook: read_rulebook(&folder)?.to_text(),
            },
            described,
        })
    }

    /// Texts from elsewhere; `name` is what faults call the description.
    ///
    /// # Errors
    /// The description is wrong.
    pub fn of(texts: Texts, name: &str) -> Result<Self, BadConfiguration> {
        let described = Described::read(&texts.plant, name);
        Ok(Self {
            described: described.map_err(|fault| BadConfiguration(fault.to_string()))?,
            name: name.to_owned(),
            texts,
        })
    }

    /// What faults call the plant description.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The plant description.
    #[must_use]
    pub fn described(&self) -> &Described {
        &self.described
    }

    /// What these files put in force.
    ///
    /// # Errors
    /// The rules are wrong.
    pub fn regime(&self) -> Result<Regime, BadConfiguration> {
        Regime::under(self.described.clone(), self.texts.clone())
            .map_err(|fault| BadConfiguration(fault.to_string()))
    }
}

/// A plant description that was read.
pub(crate) struct PlantFile {
    /// As it was typed.
    pub(crate) text: String,
    pub(crate) described: Described,
}

/// Reads a plant description.
pub(crate) fn read_plant(path: &Path) -> Result<PlantFile, BadConfiguration> {
    let name = path.display().to_string();
    let text = fs::read_to_string(path)
        .map_err(|error| BadConfiguration(format!("{name}: {error}: name a plant description")))?;
    let described =
        Described::read(&text, &name).map_err(|fault| BadConfiguration(fault.to_string()))?;
    Ok(PlantFile { text, described })
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
