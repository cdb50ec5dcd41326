//! A rulebook's folder: one reader for everybody who is given one.
//!
//! Rules are the files that end in `.rhai`, cases those that end in `.cases`. Nothing else is read, and what
//! is left out is named, so that a rule in a subfolder does not go missing in silence. Definitions for
//! editors (`.d.rhai`) and hidden files are not meant to be rules, and are passed over.
//!
//! Deliberately not here: whether any of it is right.

use chargehand_script::{LoadFault, Rulebook, Source};
use std::fs::{self, File};
use std::io::{self, Read};
use std::path::{Path, PathBuf};

/// Most bytes of one file: what is longer is neither rules nor cases.
const FILE_MAX: u64 = 64 * 1024 * 1024;

/// A folder and the names in it, nothing read yet.
#[derive(Clone, Debug)]
pub struct RulesFolder {
    path: PathBuf,
    rules: Vec<String>,
    cases: Vec<String>,
    left_out: Vec<LoadFault>,
}

/// A folder that cannot be read, or a rule in it.
#[derive(Debug, thiserror::Error)]
pub enum FolderFault {
    /// The folder itself.
    #[error(
        "{}: {error}: `rules` in the plant description names the rulebook's folder, relative to the file it stands in",
        path.display()
    )]
    Folder {
        /// As it was named.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// Files in it, as many as there are.
    #[error("{}", chargehand_derive::lines(.0))]
    Files(Vec<LoadFault>),
}

impl RulesFolder {
    /// Looks what is in a folder.
    ///
    /// # Errors
    /// There is no such folder, or it may not be read.
    pub fn open(path: &Path) -> Result<Self, FolderFault> {
        let fault = |error| FolderFault::Folder {
            path: path.to_owned(),
            error,
        };
        let mut folder = Self {
            path: path.to_owned(),
            rules: Vec::new(),
            cases: Vec::new(),
            left_out: Vec::new(),
        };
        for entry in fs::read_dir(path).map_err(fault)? {
            let entry = entry.map_err(fault)?;
            folder.sort_in(&entry.path());
        }
        folder.rules.sort();
        folder.cases.sort();
        folder.left_out.sort_by(|a, b| a.file.cmp(&b.file));
        Ok(folder)
    }

    fn sort_in(&mut self, path: &Path) {
        let name = path
            .file_name()
            .map(|name| name.to_string_lossy().into_owned())
            .unwrap_or_default();
        if path.is_dir() {
            if !name.starts_with('.') {
                let what = "a subfolder, not read";
                self.leave_out(name, what, "a rulebook is one folder");
            }
        } else if name.starts_with('.') || name.ends_with(".d.rhai") {
        } else if name.ends_with(".rhai") {
            self.rules.push(name);
        } else if name.ends_with(".cases") {
            self.cases.push(name);
        } else {
            let what = "neither a rule nor cases, not read";
            self.leave_out(name, what, "rules end in .rhai, their cases in .cases");
        }
    }

    fn leave_out(&mut self, file: String, what: &str, remedy: &str) {
        self.left_out.push(LoadFault {
            file,
            line: None,
            column: None,
            what: what.to_owned(),
            remedy: remedy.to_owned(),
        });
    }

    /// Where it is, as it was named.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is not read, in order of name.
    #[must_use]
    pub fn left_out(&self) -> &[LoadFault] {
        &self.left_out
    }

    /// The texts of the rules in order of name; faults are files that could not be read.
    #[must_use]
    pub fn rules(&self) -> (Vec<Source>, Vec<LoadFault>) {
        self.texts(&self.rules)
    }

    /// The texts of the cases in order of name; faults are files that could not be read.
    #[must_use]
    pub fn cases(&self) -> (Vec<Source>, Vec<LoadFault>) {
        self.texts(&self.cases)
    }

    /// The rulebook of the folder.
    ///
    /// # Errors
    /// Rules that cannot be read.
    pub fn rulebook(&self) -> Result<Rulebook, FolderFault> {
        match self.rules() {
            (sources, faults) if faults.is_empty() => Ok(Rulebook::of(sources)),
            (_, faults) => Err(FolderFault::Files(faults)),
        }
    }

    fn texts(&self, names: &[String]) -> (Vec<Source>, Vec<LoadFault>) {
        let (mut sources, mut faults) = (Vec::new(), Vec::new());
        for file in names {
            let file = file.clone();
            match bytes(&self.path.join(&file)).map(String::from_utf8) {
                Ok(Ok(text)) => sources.push(Source { file, text }),
                Ok(Err(error)) => {
                    let good = error.utf8_error().valid_up_to();
                    faults.push(not_utf8(file, &error.as_bytes()[..good]));
                }
                Err(what) => faults.push(LoadFault {
                    file,
                    line: None,
                    column: None,
                    what,
                    remedy: "make it a file that can be read".to_owned(),
                }),
            }
        }
        (sources, faults)
    }
}

/// A file's bytes, or why it has none. Opening a pipe would wait for whoever writes into it, and a device has no end.
fn bytes(path: &Path) -> Result<Vec<u8>, String> {
    let said = |error: io::Error| error.to_string();
    let known = fs::metadata(path).map_err(said)?;
    if !known.is_file() {
        return Err("a pipe, a socket or a device, not read".to_owned());
    }
    let mut bytes = Vec::new();
    let file = File::open(path).map_err(said)?;
    let read = file.take(FILE_MAX + 1).read_to_end(&mut bytes);
    read.map_err(said)?;
    if u64::try_from(bytes.len()).is_ok_and(|length| length > FILE_MAX) {
        return Err(format!("longer than {FILE_MAX} bytes, not read"));
    }
    Ok(bytes)
}

fn not_utf8(file: String, before: &[u8]) -> LoadFault {
    let before = String::from_utf8_lossy(before);
    let last = before.rsplit('\n').next().unwrap_or_default();
    LoadFault {
        file,
        line: Some(before.matches('\n').count() + 1),
        column: Some(last.chars().count() + 1),
        what: "not a text in UTF-8".to_owned(),
        remedy: "save the file as UTF-8".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A folder of its own, gone when dropped.
    struct Kept(PathBuf);

    impl Kept {
        fn new(name: &str) -> Self {
            let path =
                std::env::temp_dir().join(format!("chargehand-{name}-{}", std::process::id()));
            fs::create_dir_all(&path).expect("a folder");
            Self(path)
        }

        fn write(&self, name: &str, bytes: &[u8]) {
            fs::write(self.0.join(name), bytes).expect("a file");
        }
    }

    impl Drop for Kept {
        fn drop(&mut self) {
            // What is left behind in the temporary folder does no harm.
            let _ = fs::remove_dir_all(&self.0);
        }
    }

    #[test]
    fn only_rules_and_cases_are_read_and_the_rest_is_named() {
        let kept = Kept::new("folder");
        for name in [
            "b.rhai",
            "a.rhai",
            "a.cases",
            "README.md",
            "x.d.rhai",
            ".hidden",
        ] {
            kept.write(name, name.as_bytes());
        }
        fs::create_dir(kept.0.join("old")).expect("a subfolder");
        let folder = RulesFolder::open(&kept.0).expect("a folder");
        let names = |texts: &[Source]| -> Vec<String> {
            texts.iter().map(|source| source.file.clone()).collect()
        };
        assert_eq!(names(&folder.rules().0), ["a.rhai", "b.rhai"]);
        assert_eq!(names(&folder.cases().0), ["a.cases"]);
        let left: Vec<&str> = folder
            .left_out()
            .iter()
            .map(|fault| fault.file.as_str())
            .collect();
        assert_eq!(left, ["README.md", "old"]);
        assert_eq!(folder.rulebook().expect("a rulebook").sources().len(), 2);
    }

    #[test]
    fn a_text_that_is_none_is_named_with_its_place() {
        let kept = Kept::new("latin");
        kept.write("a.rhai", "// eins\n// gr\u{fc}n ".as_bytes());
        kept.write("b.rhai", b"// eins\n// gr\xfcn");
        let folder = RulesFolder::open(&kept.0).expect("a folder");
        let fault = folder.rulebook().expect_err("one is not a text");
        assert_eq!(
            fault.to_string(),
            "b.rhai:2:6: not a text in UTF-8: save the file as UTF-8"
        );
    }

    #[cfg(unix)]
    #[test]
    fn what_is_no_file_is_named_and_not_waited_for() {
        let kept = Kept::new("pipe");
        let pipe = kept.0.join("a.rhai");
        let made = std::process::Command::new("mkfifo").arg(&pipe).status();
        assert!(made.is_ok_and(|status| status.success()), "mkfifo");
        for (target, name) in [("/dev/zero", "b.rhai"), ("/nowhere/at/all", "c.rhai")] {
            std::os::unix::fs::symlink(target, kept.0.join(name)).expect("a link");
        }
        let folder = RulesFolder::open(&kept.0).expect("a folder");
        let fault = folder.rulebook().expect_err("none is a file").to_string();
        let lines: Vec<&str> = fault.lines().collect();
        let not_read = "a pipe, a socket or a device, not read: make it a file that can be read";
        assert_eq!(lines.len(), 3, "{fault}");
        assert_eq!(lines[0], format!("a.rhai: {not_read}"));
        assert_eq!(lines[1], format!("b.rhai: {not_read}"));
        assert!(lines[2].starts_with("c.rhai: No such file"), "{fault}");
    }

    #[test]
    fn no_folder_is_said_with_the_word_that_names_it() {
        let fault = RulesFolder::open(Path::new("/nowhere/rules")).expect_err("no folder");
        let said = fault.to_string();
        assert!(
            said.contains("/nowhere/rules") && said.contains("`rules`"),
            "{said}"
        );
    }
}
