//! What a check finds: faults and remarks, cases that were run, branches that were watched.
//!
//! Deliberately not here: finding it, and how it looks on paper.

use crate::cases::{self, Case, Difference};
use chargehand_derive::description;
use chargehand_script::Branch;
use serde::Serialize;

/// One thing found.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Finding {
    /// The file.
    pub file: String,
    /// Line, from 1; none where it is the file's as a whole.
    pub line: Option<usize>,
    /// Column in characters, from 1.
    pub column: Option<usize>,
    /// The thing, what was found, what was wanted.
    pub what: String,
    /// What to do about it; empty where `what` says it already.
    pub remedy: String,
}

/// A case that was run.
#[derive(Clone, Debug, Serialize)]
pub struct CaseReport {
    /// The file.
    pub file: String,
    /// The line it begins in.
    pub line: usize,
    /// What it is called.
    pub name: String,
    /// Whether every row came out as it says.
    pub ok: bool,
    /// The rows that did not.
    pub differences: Vec<Difference>,
}

/// An `if`, and which ways it went.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct BranchReport {
    /// The file.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// Whether its condition was true in a case.
    pub yes: bool,
    /// Whether its condition was false in a case.
    pub no: bool,
}

impl CaseReport {
    pub(super) fn of(case: &Case, differences: Vec<Difference>) -> Self {
        Self {
            file: case.file.clone(),
            line: case.line,
            name: case.name.clone(),
            ok: differences.is_empty(),
            differences,
        }
    }
}

impl Finding {
    pub(super) fn of_file(file: String, what: String, remedy: String) -> Self {
        Self {
            file,
            line: None,
            column: None,
            what,
            remedy,
        }
    }
}

impl From<description::Fault> for Finding {
    fn from(fault: description::Fault) -> Self {
        Self {
            file: fault.file,
            line: Some(fault.line),
            column: Some(fault.column),
            what: fault.what,
            remedy: fault.remedy,
        }
    }
}

/// Orders branches, and makes one of all that is known of each.
pub(super) fn merge(branches: &mut Vec<BranchReport>) {
    branches.sort();
    branches.dedup_by(|next, kept| {
        let same = (&next.file, next.line, next.column) == (&kept.file, kept.line, kept.column);
        if same {
            kept.yes |= next.yes;
            kept.no |= next.no;
        }
        same
    });
}

impl BranchReport {
    pub(super) fn of(branch: Branch, file: String) -> Self {
        Self {
            file,
            line: branch.line,
            column: branch.column,
            yes: branch.yes,
            no: branch.no,
        }
    }

    /// What to say of it, where it did not go both ways.
    pub(super) fn untried(&self, rule: &str) -> Option<Finding> {
        let file = format!("{rule}{}", cases::ENDING);
        let (what, remedy) = match (self.yes, self.no) {
            (true, true) => return None,
            (false, true) => (
                "is never true in any case",
                format!("add a case to {file} in which it is"),
            ),
            (true, false) => (
                "is never false in any case",
                format!("add a case to {file} in which it is"),
            ),
            (false, false) => (
                "is not reached in any case",
                format!("add a case to {file} that comes to it"),
            ),
        };
        Some(Finding {
            file: self.file.clone(),
            line: Some(self.line),
            column: Some(self.column),
            what: format!("this `if` {what}"),
            remedy,
        })
    }
}
