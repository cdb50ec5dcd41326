//! `chargehand export`: what a ledger holds, as a file of cases: the whole of a day, or a day from a time on.

use crate::cases::{self, Excerpt, LeftOut};
use crate::files::BadConfiguration;
use crate::store::LineStore;
use anyhow::Context as _;
use chargehand_core::Timestamp;
use chargehand_ledger::Store;
use std::fmt;
use std::fs::OpenOptions;
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// What was written.
#[derive(Debug)]
pub struct Exported {
    file: PathBuf,
    /// None where the whole ledger is in it.
    excerpt: Option<Excerpt>,
}

impl Exported {
    /// Whether the case leads to all that was recorded.
    #[must_use]
    pub fn whole(&self) -> bool {
        let told = |excerpt: &Excerpt| excerpt.differ == 0 && excerpt.left_out.is_empty();
        self.excerpt.as_ref().is_none_or(told)
    }
}

/// Writes a ledger as cases into a new file: all of it, which must lead to the recorded outcomes byte for byte, or what is of a
/// day from a time on, which says where it does not.
///
/// # Errors
/// The file is there already or cannot be written, the ledger cannot be read, or no case says it.
pub fn export(ledger: &Path, file: &Path, from: Option<Timestamp>) -> anyhow::Result<Exported> {
    let store = LineStore::open_read_only(ledger)?;
    let line = store.line();
    let (text, excerpt) = match from {
        None => {
            let name = format!("{line}, records 1 to {}", store.head().seq);
            (cases::write(&store, &name)?, None)
        }
        Some(from) => {
            let name = format!("{line}, a day from a time on");
            let excerpt = cases::write_from(&store, &name, from)?;
            (excerpt.text.clone(), Some(excerpt))
        }
    };
    let path = file.display();
    let mut options = OpenOptions::new();
    let made = options.write(true).create_new(true).open(file);
    let mut made = made.map_err(|error| {
        BadConfiguration(format!(
            "{path}: {error}: name a new file in a folder that is there"
        ))
    })?;
    made.write_all(text.as_bytes())
        .and_then(|()| made.sync_all())
        .with_context(|| path.to_string())?;
    Ok(Exported {
        file: file.to_owned(),
        excerpt,
    })
}

impl fmt::Display for Exported {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let file = self.file.display();
        let Some(excerpt) = &self.excerpt else {
            return write!(f, "{file}: the whole ledger, as recorded");
        };
        let (first, last) = excerpt.records;
        write!(
            f,
            "{file}: records {first} to {last} in {} rows",
            excerpt.rows
        )?;
        if excerpt.before > 0 {
            write!(f, ", {} of them from before", excerpt.before)?;
        }
        match excerpt.differ {
            0 => write!(f, ", all as recorded")?,
            differ => write!(
                f,
                ", {differ} of them otherwise than recorded: the line knew more than a case can begin with; what was recorded stands above each"
            )?,
        }
        if let Some(LeftOut { seq, what }) = excerpt.left_out.first() {
            let count = excerpt.left_out.len();
            write!(
                f,
                "\nleft out: {count}, the first record {seq}, {what}; all stand at the head of the file"
            )?;
        }
        if let Some(LeftOut { seq, what }) = &excerpt.ends {
            write!(
                f,
                "\nends before record {seq}: {what}; --from its time exports on"
            )?;
        }
        Ok(())
    }
}
