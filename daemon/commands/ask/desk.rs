//! Where a person sits, or does not.

use crate::files::BadConfiguration;
use crate::shown::{page, shown};
use console::Term;
use std::io::{self, IsTerminal as _, Write as _};

/// Whoever may be asked for what the command line lacks.
pub trait Desk {
    /// Whether somebody sits there.
    fn is_manned(&self) -> bool;

    /// Shows something.
    ///
    /// # Errors
    /// It cannot be shown.
    fn show(&mut self, text: &str) -> io::Result<()>;

    /// Asks for a line.
    ///
    /// # Errors
    /// None can be read.
    fn ask(&mut self, prompt: &str) -> io::Result<String>;

    /// Asks for a line that is not shown.
    ///
    /// # Errors
    /// None can be read.
    fn ask_in_secret(&mut self, prompt: &str) -> io::Result<String>;
}

/// The terminal that the program was started from, if it was.
#[derive(Clone, Copy, Debug, Default)]
pub struct Terminal;

impl Desk for Terminal {
    fn is_manned(&self) -> bool {
        io::stdin().is_terminal() && io::stderr().is_terminal()
    }

    fn show(&mut self, text: &str) -> io::Result<()> {
        writeln!(io::stderr(), "{}", page(text))
    }

    fn ask(&mut self, prompt: &str) -> io::Result<String> {
        write!(io::stderr(), "{}: ", shown(prompt))?;
        let mut line = String::new();
        io::stdin().read_line(&mut line)?;
        Ok(line.trim().to_owned())
    }

    fn ask_in_secret(&mut self, prompt: &str) -> io::Result<String> {
        write!(io::stderr(), "{}: ", shown(prompt))?;
        Term::stderr().read_secure_line()
    }
}

impl dyn Desk + '_ {
    /// What was given, else what a person says, who may be asked; `option` is how it is given.
    pub(super) fn need(
        &mut self,
        given: Option<&str>,
        prompt: &str,
        option: &str,
    ) -> anyhow::Result<String> {
        if let Some(given) = given {
            return said(given).ok_or_else(|| {
                BadConfiguration(format!("{option} is empty; wanted a text")).into()
            });
        }
        if !self.is_manned() {
            let missing = format!(
                "{option} is missing, and nobody sits at a terminal to be asked: give {option}"
            );
            return Err(BadConfiguration(missing).into());
        }
        said(&self.ask(prompt)?)
            .ok_or_else(|| anyhow::anyhow!("nothing was said, so nothing was asked for"))
    }
}

fn said(text: &str) -> Option<String> {
    Some(text.trim())
        .filter(|text| !text.is_empty())
        .map(str::to_owned)
}
