//! Which texts are put in the place of the recorded ones: read from files, and proved against every text
//! of the recording they will stand beside, before a record is looked at.
//!
//! Deliberately not here: what a plant description or a rule means.

use crate::files::{BadConfiguration, PlantFile, read_plant};
use crate::folder::RulesFolder;
use crate::store::LineStore;
use chargehand_core::{Start, TextDigest};
use chargehand_derive::{Described, RederiveFault, Regime, Texts, text_digest, texts_of};
use chargehand_ledger::Store;
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// What was named on the command line; what is not named stays as recorded.
#[derive(Clone, Debug, Default)]
pub struct Named {
    /// A plant description.
    pub plant: Option<PathBuf>,
    /// A folder of rules.
    pub rules: Option<PathBuf>,
}

/// The texts that replace recorded ones.
#[derive(Debug)]
pub(super) struct Chosen {
    plant: Option<(String, String)>,
    rulebook: Option<String>,
}

impl Chosen {
    /// Reads what is named.
    ///
    /// # Errors
    /// [`BadConfiguration`] with every fault of the named texts, or the ledger cannot be read.
    pub(super) fn read(named: &Named, store: &LineStore) -> anyhow::Result<Self> {
        let chosen = Self {
            plant: named
                .plant
                .as_deref()
                .map(|path| plant_of(path, store.line()))
                .transpose()?,
            rulebook: named.rules.as_deref().map(rulebook_of).transpose()?,
        };
        chosen.prove(named, store)?;
        Ok(chosen)
    }

    /// What faults call the plant description.
    pub(super) fn name(&self) -> &str {
        self.plant
            .as_ref()
            .map_or("plant description", |(name, _)| name)
    }

    /// The digest of the named plant description.
    pub(super) fn plant_digest(&self) -> Option<TextDigest> {
        self.plant.as_ref().map(|(_, text)| text_digest(text))
    }

    /// The digest of the named rulebook.
    pub(super) fn rulebook_digest(&self) -> Option<TextDigest> {
        self.rulebook.as_deref().map(text_digest)
    }

    /// The texts a start puts in force in the replay.
    pub(super) fn texts(
        &self,
        store: &dyn Store,
        seq: u64,
        start: &Start,
    ) -> Result<Texts, RederiveFault> {
        let recorded = texts_of(store, seq, Some(&start.plant), Some(&start.rulebook))?;
        Ok(Texts {
            plant: self
                .plant
                .as_ref()
                .map_or(recorded.plant, |(_, text)| text.clone()),
            rulebook: self.rulebook.clone().unwrap_or(recorded.rulebook),
        })
    }

    /// What the plant description means that a start puts in force in the replay; nothing where that cannot be said.
    pub(super) fn described(
        &self,
        store: &dyn Store,
        seq: u64,
        start: &Start,
    ) -> Option<Described> {
        let text = self.texts(store, seq, start).ok()?.plant;
        Described::read(&text, self.name()).ok()
    }

    /// What these texts put in force; `seq` is the record that wants them.
    pub(super) fn regime(&self, seq: u64, texts: Texts) -> Result<Regime, RederiveFault> {
        Regime::of(texts, self.name()).map_err(|fault| RederiveFault::Text { seq, fault })
    }

    /// Every pair that the replay can come to must load.
    fn prove(&self, named: &Named, store: &LineStore) -> anyhow::Result<()> {
        let plants = match &self.plant {
            Some((_, text)) => vec![text.clone()],
            None => kept(store, Texts::PLANT)?,
        };
        let rulebooks = match &self.rulebook {
            Some(text) => vec![text.clone()],
            None => kept(store, Texts::RULEBOOK)?,
        };
        // What was in force together is proved already, unless the ledger is another version's.
        let replaced = self.plant.is_some() || self.rulebook.is_some();
        let mut faults = Vec::new();
        let mut known = BTreeSet::new();
        for plant in plants.iter().filter(|_| replaced) {
            for rulebook in &rulebooks {
                let texts = Texts {
                    plant: plant.clone(),
                    rulebook: rulebook.clone(),
                };
                let Err(fault) = Regime::of(texts, self.name()) else {
                    continue;
                };
                let lines = fault.to_string();
                let new = lines
                    .lines()
                    .filter(|line| known.insert((*line).to_owned()));
                faults.extend(new.map(ToOwned::to_owned).collect::<Vec<_>>());
            }
        }
        if faults.is_empty() {
            return Ok(());
        }
        let beside = match (&named.plant, &named.rules) {
            (Some(plant), None) => Some(format!(
                "the recorded rules do not fit {}: name rules that do with --rules",
                plant.display()
            )),
            (None, Some(rules)) => Some(format!(
                "the rules in {} do not fit the recorded plant description, or are wrong",
                rules.display()
            )),
            _ => None,
        };
        faults.extend(beside);
        Err(BadConfiguration(faults.join("\n")).into())
    }
}

fn plant_of(path: &Path, line: &str) -> Result<(String, String), BadConfiguration> {
    let name = path.display().to_string();
    let PlantFile { described, text } = read_plant(path)?;
    let base = &described.plant().line.base;
    if base != line {
        return Err(BadConfiguration(format!(
            "{name}: describes line {}, the ledger is of line {line}: name a description of that line",
            base
        )));
    }
    Ok((name, text))
}

fn rulebook_of(path: &Path) -> Result<String, BadConfiguration> {
    let named = |error: std::io::Error| {
        BadConfiguration(format!(
            "{}: {error}: --rules names a folder of rules",
            path.display()
        ))
    };
    fs::read_dir(path).map_err(named)?;
    let bad = |fault: crate::folder::FolderFault| BadConfiguration(fault.to_string());
    let folder = RulesFolder::open(path).map_err(bad)?;
    for left_out in folder.left_out() {
        tracing::warn!("{}: {left_out}", path.display());
    }
    Ok(folder.rulebook().map_err(bad)?.to_text())
}

/// Every text of a kind that was ever in force.
fn kept(store: &LineStore, kind: &str) -> anyhow::Result<Vec<String>> {
    let mut texts = Vec::new();
    for blob in store.blobs()?.iter().filter(|blob| blob.kind == kind) {
        let bytes = store.blob(&blob.digest)?.unwrap_or_default();
        texts.push(String::from_utf8_lossy(&bytes).into_owned());
    }
    Ok(texts)
}
