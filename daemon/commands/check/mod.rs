//! `chargehand check`: what is wrong with a rulebook, whether it says what its cases say, and what no case
//! tries. The work as data; [`CheckReport::on_paper`] is for people, `--json` for programs.
//!
//! - **Faults** are what the daemon would refuse to start on, all of every file, cases that cannot be read, and a
//!   folder without any rule.
//! - **Cases** of a rule run with that rule alone, those of the whole rulebook in `all.cases` with all rules.
//! - **Charts** are told with the limit each has, how often it errs while all is well, and how soon it sees what is not; then
//!   how often all of them err together.
//! - **Remarks** are legal and most likely not meant: what the loader doubts, a description under which two pieces on a
//!   scale are one or nobody answers, what is not read in the folder, a rule without cases, an `if` that went only one way in
//!   all cases.
//!
//! Deliberately not here: reading and running cases, loading rules, and anything a running line does.

mod charts;
mod doubts;
mod found;
mod report;
mod running;

pub use charts::{ChartReport, FoundAfter};
pub use found::{BranchReport, CaseReport, Finding};

use crate::cases::{self, Case};
use crate::files::{BadConfiguration, read_plant};
use crate::folder::{FolderFault, RulesFolder};
use chargehand_derive::description;
use chargehand_script::{LoadFault, Rulebook, Rules, Source, definitions};
use chargehand_wire::UnknownZone;
use charts::Charts;
use report::Texts;
use running::Track;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Component, Path, PathBuf};

/// The file of definitions for editors.
const DEFINITIONS: &str = "chargehand.d.rhai";

/// What a check found.
#[derive(Clone, Debug, Serialize)]
pub struct CheckReport {
    /// Whether the rulebook is fine.
    pub ok: bool,
    /// Whether a remark is enough to make it wrong.
    pub strict: bool,
    /// The plant description it was held against.
    pub plant: String,
    /// Its folder.
    pub folder: String,
    /// The names of the rules, in the order they are asked.
    pub rules: Vec<String>,
    /// What makes it wrong, in order of file and place.
    pub faults: Vec<Finding>,
    /// What is legal and doubtful, in order of file and place.
    pub remarks: Vec<Finding>,
    /// Every case that was run, in order of file and place.
    pub cases: Vec<CaseReport>,
    /// Every `if` of the rules that were run, in order of file and place.
    pub branches: Vec<BranchReport>,
    /// Every chart of the rules that are not wrong, in the order they are asked.
    pub charts: Vec<ChartReport>,
    /// What the findings are about.
    #[serde(skip)]
    texts: Texts,
}

/// Checks a rulebook against a plant description: the one the description names, unless `rules` names another.
/// The cases of `further` files, wherever they stand, run with the whole rulebook. With `strict` a remark is enough to make it
/// wrong.
///
/// # Errors
/// The plant description is wrong, there is no such folder, or a further file cannot be read.
pub fn check(
    plant: &Path,
    rules: Option<&Path>,
    further: &[PathBuf],
    strict: bool,
) -> Result<CheckReport, BadConfiguration> {
    let read = read_plant(plant)?;
    let folder = match rules {
        Some(folder) => folder.to_owned(),
        None => beside(plant, &read.described.plant().line.rules),
    };
    let folder = RulesFolder::open(&folder).map_err(|fault| match fault {
        FolderFault::Folder { path, error } if rules.is_some() => BadConfiguration(format!(
            "{}: {error}: name a folder of rules with --rules",
            path.display()
        )),
        other => BadConfiguration(other.to_string()),
    })?;
    let mut report = CheckReport {
        ok: false,
        strict,
        plant: plant.display().to_string(),
        folder: folder.path().display().to_string(),
        rules: Vec::new(),
        faults: Vec::new(),
        remarks: read
            .described
            .remarks()
            .iter()
            .cloned()
            .map(Finding::from)
            .collect(),
        cases: Vec::new(),
        branches: Vec::new(),
        charts: Vec::new(),
        texts: Texts::from([(plant.display().to_string(), read.text.clone())]),
    };
    let doubts = doubts::of(read.described.plant(), &report.plant);
    report.remarks.extend(doubts);
    let further: Vec<(String, String)> = further
        .iter()
        .map(|path| read_further(path))
        .collect::<Result<_, _>>()?;
    report.look(&folder, &further, &Track::new(read.described, read.text))?;
    report.faults.sort();
    report.remarks.sort();
    report.ok = report.faults.is_empty()
        && report.cases.iter().all(|case| case.ok)
        && (!strict || report.remarks.is_empty());
    Ok(report)
}

/// Writes the definitions of the rule language for this plant, with which an editor completes its words, into a
/// folder that is made where it is missing. Says where they are.
///
/// # Errors
/// The plant description is wrong, or the file cannot be written.
pub fn write_definitions(plant: &Path, folder: &Path) -> Result<PathBuf, BadConfiguration> {
    let described = read_plant(plant)?.described;
    let path = folder.join(DEFINITIONS);
    fs::create_dir_all(folder)
        .and_then(|()| fs::write(&path, definitions(described.plant())))
        .map_err(|error| {
            let path = path.display();
            BadConfiguration(format!(
                "{path}: {error}: name a folder that can be written"
            ))
        })?;
    Ok(path)
}

/// A file of cases named by itself, and its text.
fn read_further(path: &Path) -> Result<(String, String), BadConfiguration> {
    let name = path.display().to_string();
    match fs::read_to_string(path) {
        Ok(text) => Ok((name, text)),
        Err(error) => Err(BadConfiguration(format!(
            "{name}: {error}: name a file of cases"
        ))),
    }
}

/// A folder named relative to a file; `a/../b` as `b`, where that is the same folder.
fn beside(file: &Path, folder: &str) -> PathBuf {
    let joined = file.parent().unwrap_or(Path::new("")).join(folder);
    let mut short = PathBuf::new();
    for part in joined.components() {
        let named = matches!(short.components().next_back(), Some(Component::Normal(_)));
        match part {
            Component::CurDir => {}
            Component::ParentDir if named => {
                short.pop();
            }
            other => short.push(other),
        }
    }
    // Behind a symbolic link `..` leads elsewhere.
    match (fs::canonicalize(&short), fs::canonicalize(&joined)) {
        (Ok(one), Ok(other)) if one == other => short,
        _ => joined,
    }
}

/// Cases by the name of the rule they are of, and the names whose cases cannot be read.
#[derive(Default)]
struct Written {
    cases: BTreeMap<String, Vec<Case>>,
    unread: BTreeSet<String>,
    /// Of the whole rulebook, from files named by themselves.
    further: Vec<Case>,
}

impl CheckReport {
    fn look(
        &mut self,
        folder: &RulesFolder,
        further: &[(String, String)],
        track: &Track,
    ) -> Result<(), BadConfiguration> {
        self.remarks_of(folder.left_out());
        let (sources, unread) = folder.rules();
        self.faults_of(&unread);
        for source in &sources {
            let path = self.path(&source.file);
            self.texts.insert(path, source.text.clone());
        }
        let book = Rulebook::of(sources);
        self.rules = book.sources().iter().map(stem).map(str::to_owned).collect();
        if self.rules.is_empty() && unread.is_empty() {
            let what = "no rule in this folder".to_owned();
            let file = self.folder.clone();
            self.faults.push(Finding::of_file(
                file,
                what,
                "the files of rules end in .rhai".to_owned(),
            ));
        }
        let mut written = self.read_cases(folder, &book, track);
        written.further = self.read_further_cases(further, track);
        let mut charts = Charts::default();
        let whole = Rules::load(&book, track.plant());
        match &whole {
            Ok(rules) => self.loaded(rules, &mut charts, track),
            Err(faults) => self.faults_of(faults),
        }
        for source in book.sources() {
            let alone = Rulebook::of(vec![source.clone()]);
            if whole.is_err() {
                // The sound rules beside a faulty one are looked at all the same.
                match Rules::load(&alone, track.plant()) {
                    Ok(rules) => self.loaded(&rules, &mut charts, track),
                    Err(_) => continue,
                }
            }
            self.run(track, &alone, written.of_rule(stem(source)))?;
        }
        if !written.of_all().is_empty() {
            self.run(track, &book, written.of_all())?;
        }
        if !written.further.is_empty() {
            self.run(track, &book, &written.further)?;
        }
        self.cases
            .sort_by(|a, b| (&a.file, a.line).cmp(&(&b.file, b.line)));
        found::merge(&mut self.branches);
        self.untried(&book, &written);
        Ok(())
    }

    /// What rules that are not wrong say of themselves.
    fn loaded(&mut self, rules: &Rules, charts: &mut Charts, track: &Track) {
        self.remarks_of(rules.remarks());
        for charted in rules.charts() {
            let file = self.path(&format!("{}.rhai", charted.rule));
            let (report, doubts) = charts.report(charted, track.plant(), file);
            self.charts.push(report);
            self.remarks.extend(doubts);
        }
    }

    fn read_cases(&mut self, folder: &RulesFolder, book: &Rulebook, track: &Track) -> Written {
        let mut written = Written::default();
        let (files, unread) = folder.cases();
        self.faults_of(&unread);
        let name = |file: &str| file.strip_suffix(cases::ENDING).unwrap_or(file).to_owned();
        written.unread = unread.iter().map(|fault| name(&fault.file)).collect();
        for Source { file, text } in files {
            let path = self.path(&file);
            let mut faults: Vec<description::Fault> =
                cases::rules_of(&path, book).err().into_iter().collect();
            match cases::parse(&path, &text, track.plant()) {
                Ok(found) if faults.is_empty() => {
                    written.cases.insert(name(&file), found);
                }
                Ok(_) => {}
                Err(wrong) => faults.extend(wrong.0),
            }
            if !faults.is_empty() {
                written.unread.insert(name(&file));
            }
            self.faults.extend(faults.into_iter().map(Finding::from));
            self.texts.insert(path, text);
        }
        written
    }

    fn read_further_cases(&mut self, files: &[(String, String)], track: &Track) -> Vec<Case> {
        let mut cases = Vec::new();
        for (file, text) in files {
            match cases::parse(file, text, track.plant()) {
                Ok(found) => cases.extend(found),
                Err(wrong) => self.faults.extend(wrong.0.into_iter().map(Finding::from)),
            }
            self.texts.insert(file.clone(), text.clone());
        }
        cases
    }

    /// Runs cases with the rules of a book, and adds what came of it; nothing where the rules are wrong.
    fn run(
        &mut self,
        track: &Track,
        book: &Rulebook,
        cases: &[Case],
    ) -> Result<(), BadConfiguration> {
        let found = match cases {
            [] => Vec::new(),
            cases => track.run(book, cases).map_err(unknown)?,
        };
        let ran = cases.iter().zip(found);
        self.cases
            .extend(ran.map(|(case, differences)| CaseReport::of(case, differences)));
        for branch in track.branches(book, cases).map_err(unknown)? {
            let file = self.path(&branch.file);
            self.branches.push(BranchReport::of(branch, file));
        }
        Ok(())
    }

    /// Says which rules have no cases, and which parts of the others no case tries.
    fn untried(&mut self, book: &Rulebook, written: &Written) {
        for source in book.sources() {
            let (rule, file) = (stem(source), self.path(&source.file));
            let no_own = written.of_rule(rule).is_empty();
            let faulty = self.faults.iter().any(|fault| fault.file == file);
            if faulty || written.unread.contains(rule) {
                continue;
            }
            if no_own {
                let what = format!("rule {rule} has no cases");
                let remedy = match format!("{rule}{}", cases::ENDING) {
                    all if rule == cases::ALL => {
                        format!("give it another name: {all} is for cases of the whole rulebook")
                    }
                    own => format!("write some in {own}"),
                };
                self.remarks
                    .push(Finding::of_file(file.clone(), what, remedy));
            }
            if no_own && written.of_all().is_empty() {
                continue;
            }
            let own = self.branches.iter().filter(|branch| branch.file == file);
            let untried: Vec<Finding> = own.filter_map(|branch| branch.untried(rule)).collect();
            self.remarks.extend(untried);
        }
    }

    /// A file of the folder as it is shown.
    fn path(&self, file: &str) -> String {
        Path::new(&self.folder).join(file).display().to_string()
    }

    fn faults_of(&mut self, faults: &[LoadFault]) {
        let found: Vec<Finding> = faults.iter().map(|fault| self.finding(fault)).collect();
        self.faults.extend(found);
    }

    fn remarks_of(&mut self, remarks: &[LoadFault]) {
        let found: Vec<Finding> = remarks.iter().map(|remark| self.finding(remark)).collect();
        self.remarks.extend(found);
    }

    fn finding(&self, fault: &LoadFault) -> Finding {
        Finding {
            file: self.path(&fault.file),
            line: fault.line,
            column: fault.column,
            what: fault.what.clone(),
            remedy: fault.remedy.clone(),
        }
    }
}

impl Written {
    /// Cases of one rule alone.
    fn of_rule(&self, rule: &str) -> &[Case] {
        match rule {
            cases::ALL => &[],
            rule => self.of(rule),
        }
    }

    /// Cases of the whole rulebook.
    fn of_all(&self) -> &[Case] {
        self.of(cases::ALL)
    }

    fn of(&self, name: &str) -> &[Case] {
        self.cases.get(name).map_or(&[], Vec::as_slice)
    }
}

fn unknown(zone: UnknownZone) -> BadConfiguration {
    BadConfiguration(zone.to_string())
}

fn stem(source: &Source) -> &str {
    source.file.strip_suffix(".rhai").unwrap_or(&source.file)
}
