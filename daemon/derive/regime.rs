//! What is in force, as one value: a plant description, a rulebook, and the reader and writer under them.
//!
//! It is made once of its texts, and exchanged for another between two inputs, by an input: that is a start.

use crate::description::{self, Fault};
use crate::texts::{TextFault, Texts};
use chargehand_core::Plant;
use chargehand_script::{Rulebook, Rules};
use chargehand_wire::Wire;
use std::fmt;
use std::sync::Arc;

/// A plant description that was read: what it means, and the reader and writer under it. Rules stay on the thread that
/// loaded them; this goes to any.
#[derive(Clone, Debug)]
pub struct Described {
    plant: Arc<Plant>,
    wire: Wire,
    remarks: Vec<Fault>,
}

impl Described {
    /// Reads a description; `name` is what faults call it.
    ///
    /// # Errors
    /// Every fault of the text.
    pub fn read(text: &str, name: &str) -> Result<Self, TextFault> {
        let (plant, remarks) = description::described(text, name)?;
        let plant = Arc::new(plant);
        Ok(Self {
            wire: Wire::new(Arc::clone(&plant))?,
            plant,
            remarks,
        })
    }

    /// What it means.
    #[must_use]
    pub fn plant(&self) -> &Arc<Plant> {
        &self.plant
    }

    /// The reader and writer under it.
    #[must_use]
    pub fn wire(&self) -> &Wire {
        &self.wire
    }

    /// What of it is taken without effect.
    #[must_use]
    pub fn remarks(&self) -> &[Fault] {
        &self.remarks
    }
}

/// What a line is judged by.
pub struct Regime {
    pub(crate) texts: Texts,
    pub(crate) described: Described,
    pub(crate) rules: Rules,
}

impl fmt::Debug for Regime {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Regime")
            .field("line", &self.described.plant.line.base)
            .finish_non_exhaustive()
    }
}

impl Regime {
    /// What these texts put in force; `name` is what faults call the description.
    ///
    /// # Errors
    /// Every fault of the texts.
    pub fn of(texts: Texts, name: &str) -> Result<Self, TextFault> {
        let described = Described::read(&texts.plant, name)?;
        Self::under(described, texts)
    }

    /// The same, where the description was read before.
    ///
    /// # Errors
    /// Every fault of the rulebook.
    pub fn under(described: Described, texts: Texts) -> Result<Self, TextFault> {
        let book = Rulebook::from_text(&texts.rulebook)?;
        let rules = Rules::load(&book, &described.plant).map_err(TextFault::Rules)?;
        Ok(Self::with_rules(described, texts, rules))
    }

    /// The same, where the rules too were loaded before, of this rulebook under this description.
    #[must_use]
    pub fn with_rules(described: Described, texts: Texts, rules: Rules) -> Self {
        Self {
            texts,
            described,
            rules,
        }
    }

    /// Its texts.
    #[must_use]
    pub fn texts(&self) -> &Texts {
        &self.texts
    }
}
