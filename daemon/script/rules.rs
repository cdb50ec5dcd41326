//! A rulebook, loaded: rules that have been read, held against the plant, tried, and now answer.
//!
//! A rule is loaded in four steps, and what one step finds does not keep the next rule from being looked at:
//! its names are read, its header is run and held against the plant description, the facts it asks for are
//! looked up, and its handler is tried on made-up readings, so that a unit mixed up behind an `if` is found
//! before a piece depends on it.
//!
//! Deliberately not here: merging what rules say, and what happens to a piece.

use crate::book::{Rulebook, Source};
use crate::budget::with_deep_stack;
use crate::chart::Charted;
use crate::declared::{Declared, Limit};
use crate::desk::Desk;
use crate::engine;
use crate::facts::{self, Common, ReadingFacts};
use crate::fault::{Complaint, Finding, LoadFault, of_products};
use crate::header::{Drafts, Header};
use crate::hidden::{Wrong, and_hidden};
use crate::inspect::Script;
use crate::slips;
use crate::translate::{panic_text, translate};
use crate::units::{self, Units, unit_coded, unit_named};
use crate::uses::Endings;
use crate::verdict::{self, Known};
use crate::words;
use chargehand_core::{
    Ahead, Aims, Characteristic, Count, Declaration, Drift, Facts, Fallback, GaugeName, Judge,
    Opinion, Outlook, PieceName, Plant, ProductName, Real, RuleFault, RuleName, Shown, Station,
    StratumName, Trail, Verdict, Watch, codes,
};
use chargehand_measure::{RunRule, Side};
use rhai::{AST, CallFnOptions, Dynamic, Engine, Position, Scope};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::rc::Rc;

/// Most bytes of one file.
const FILE_MAX: usize = 256 * 1024;
/// What the files of a rulebook end in.
const ENDING: &str = ".rhai";
/// Faults of one rule after which it is not tried any further: more would say the same.
const FAULTS_MAX: usize = 8;
/// Values of one stratum a rule is tried with.
const VALUES_MAX: usize = 32;
/// How far off a rule is tried, in steps, where nothing says what is plausible.
const FAR_OFF: i64 = 10_000;

/// The rules of one rulebook, for one plant description.
///
/// Not `Send`: make them on the thread that asks them. Asking is cheapest on a thread with 64 MiB of stack or
/// more; on others each call sets one up.
pub struct Rules {
    engine: Engine,
    desk: Rc<Desk>,
    drafts: Drafts,
    /// In order of file name.
    rules: Vec<Rule>,
    /// Their counters and charts, in the same order.
    declarations: Vec<Declaration>,
    /// The charts among them.
    charts: Vec<Charted>,
    remarks: Vec<LoadFault>,
}

struct Rule {
    name: RuleName,
    file: String,
    /// The functions only: the header has done its work.
    ast: AST,
    station: String,
    characteristic: String,
    fallback: Fallback,
    endings: Endings,
    /// For all pieces, or for those of each product where what they are held against differs; at least one.
    versions: Vec<Version>,
}

/// A rule for pieces of one product, or of all.
struct Version {
    product: Option<ProductName>,
    declared: Rc<Declared>,
    /// Its counters and charts among the declarations.
    watches: Range<usize>,
}

impl Rule {
    /// The one for pieces of that product.
    fn version(&self, product: Option<&ProductName>) -> &Version {
        let of =
            |version: &&Version| version.product.is_none() || version.product.as_ref() == product;
        let mut versions = self.versions.iter();
        versions
            .find(of)
            .expect("no rule is asked of a value that is held against nothing")
    }
}

impl Rules {
    /// The rules of a rulebook, for a plant.
    ///
    /// # Errors
    ///
    /// Everything wrong with every file, in order of file and place; of a file that cannot be parsed the first.
    pub fn load(book: &Rulebook, plant: &Plant) -> Result<Rules, Vec<LoadFault>> {
        with_deep_stack(|| {
            let again = |book: &Rulebook| Self::load_here(book, plant).err();
            Self::load_here(book, plant).map_err(|found| in_order(and_hidden(book, found, again)))
        })
    }

    fn load_here(book: &Rulebook, plant: &Plant) -> Result<Rules, Vec<Wrong>> {
        let (desk, drafts) = (Rc::new(Desk::default()), Drafts::default());
        let mut engine = engine::build(&desk, &drafts, Known::of(plant));
        let mut faults = names_alike(book.sources());
        let mut parsed = Vec::new();
        for source in book.sources() {
            match parse(&engine, source) {
                Ok(ast) => parsed.push((source, ast)),
                Err(fault) => faults.push(fault),
            }
        }
        let known_units = units_of(&parsed, plant);
        for (name, unit) in &known_units.named {
            units::register_named(&mut engine, name, unit.clone());
        }
        units::register_coded(&mut engine, known_units.coded.clone());
        let mut rules = Rules {
            engine,
            desk,
            drafts,
            rules: Vec::new(),
            declarations: Vec::new(),
            charts: Vec::new(),
            remarks: Vec::new(),
        };
        for (source, ast) in parsed {
            if let Err(found) = rules.add(source, ast, &known_units, plant) {
                let with_file = |(at, complaint)| Wrong::new(&source.file, at, complaint);
                faults.extend(found.into_iter().map(with_file));
            }
        }
        if !faults.is_empty() {
            return Err(faults);
        }
        rules.remarks = in_order(std::mem::take(&mut rules.remarks));
        Ok(rules)
    }

    /// What is legal in the rulebook but most likely not meant, in order of file and place.
    #[must_use]
    pub fn remarks(&self) -> &[LoadFault] {
        &self.remarks
    }

    /// Every chart, in the order the rules declare them.
    #[must_use]
    pub fn charts(&self) -> &[Charted] {
        &self.charts
    }

    /// The names of the rules, in the order they are asked.
    pub fn names(&self) -> impl Iterator<Item = &RuleName> {
        self.rules.iter().map(|rule| &rule.name)
    }

    /// The engine, and the script of every rule by its file, for one who watches them.
    pub(crate) fn scripts(&mut self) -> (&mut Engine, impl Iterator<Item = (&str, &mut AST)>) {
        let scripts = self.rules.iter_mut();
        let scripts = scripts.map(|rule| (rule.file.as_str(), &mut rule.ast));
        (&mut self.engine, scripts)
    }

    /// Adds the rule of one file, or says everything wrong with it.
    fn add(
        &mut self,
        source: &Source,
        ast: AST,
        units: &Units,
        plant: &Plant,
    ) -> Result<(), Vec<Finding>> {
        let text = text(source);
        let script = Script::new(text, &ast);
        let start = script.header();
        let mut faults = script.names(units);
        let start = match start {
            Ok(start) => start,
            Err(found) => return Err(found.into_iter().chain(faults).collect()),
        };
        let ran = self.run_header(&ast);
        let draft = self.drafts.take();
        let name = RuleName::from(stem(&source.file));
        let header = match ran {
            Ok(()) => draft.finish(&name, plant, start, &script.looks_ahead()),
            // Where a name is wrong the run ends at it; that has been said.
            Err(finding) => {
                let mut found = draft.into_faults();
                found.extend(faults.is_empty().then_some(finding));
                Err(found)
            }
        };
        let mut header = match header {
            Ok(header) => header,
            Err(found) => {
                faults.extend(found);
                return Err(faults);
            }
        };
        let wider = script.holds_wider();
        for version in &mut header.versions {
            for declared in &mut version.declarations {
                declared.wider = wider;
            }
        }
        let Header {
            station,
            characteristic,
            fallback,
            versions,
        } = header;
        // Names are those of any.
        let first = &versions[0];
        let (found, remarks) = script.facts(
            plant,
            (station, characteristic),
            &first.declared,
            &first.declarations,
        );
        faults.extend(found);
        if !faults.is_empty() {
            return Err(faults);
        }
        facts::register_declared(&mut self.engine, &first.declared);
        let mut rule = Rule {
            name,
            file: source.file.clone(),
            ast: ast.clone_functions_only(),
            station: station.name.to_string(),
            characteristic: characteristic.name.to_string(),
            fallback,
            endings: script.endings(),
            versions: Vec::new(),
        };
        let mut from = self.declarations.len();
        let (mut declarations, mut charts) = (Vec::new(), Vec::new());
        let mut found = Vec::new();
        for version in versions {
            let to = from + version.declarations.len();
            let own = Version {
                product: version.product.cloned(),
                declared: Rc::new(version.declared),
                watches: from..to,
            };
            let trial = Trial {
                plant,
                station,
                characteristic,
                aims: version.aims,
                version: &own,
                declarations: &version.declarations,
            };
            found.push((version.product, self.try_out(&rule, &trial)));
            rule.versions.push(own);
            declarations.extend(version.declarations);
            charts.extend(version.charts);
            from = to;
        }
        let found = of_products(found);
        if !found.is_empty() {
            return Err(found);
        }
        let doubts = remarks.into_iter().chain(self.desk.take_remarks());
        for (at, complaint) in doubts {
            let remark = LoadFault::new(&source.file, at, &complaint);
            if !self.remarks.contains(&remark) {
                self.remarks.push(remark);
            }
        }
        self.rules.push(rule);
        self.declarations.extend(declarations);
        self.charts.extend(charts);
        Ok(())
    }

    fn run_header(&self, ast: &AST) -> Result<(), Finding> {
        let header = ast.clone_statements_only();
        let run = || {
            self.engine
                .eval_ast_with_scope::<Dynamic>(&mut Scope::new(), &header)
        };
        match catch_unwind(AssertUnwindSafe(run)) {
            Ok(Ok(_)) => Ok(()),
            Ok(Err(error)) => Err(translate("the header", &error)),
            Err(payload) => Err((Position::NONE, broke("the header", &panic_text(&*payload)))),
        }
    }

    fn opinion(&self, rule: &Rule, facts: &Facts<'_>, common: &Rc<Common>) -> Opinion {
        let version = rule.version(facts.product);
        let own = |(place, _): &&(usize, Shown)| version.watches.contains(place);
        let shown = facts
            .watches
            .iter()
            .filter(own)
            .map(|(_, shown)| shown.clone());
        let declared = &version.declared;
        let reading = ReadingFacts::new(common, shown.collect(), declared);
        let said = self.ask(rule, declared, reading);
        Opinion {
            rule: rule.name.clone(),
            per: declared.apart.clone(),
            said: said.map_err(|(at, complaint)| RuleFault {
                text: complaint.words(&rule.file, at),
                fallback: rule.fallback,
            }),
        }
    }

    /// Asks one rule about one reading.
    fn ask(
        &self,
        rule: &Rule,
        declared: &Declared,
        reading: ReadingFacts,
    ) -> Result<Vec<Verdict>, Finding> {
        self.desk.clear();
        // The header is not run again, and nothing a call leaves behind is seen by the next.
        let options = CallFnOptions::new().eval_ast(false);
        let call = || {
            self.engine.call_fn_with_options::<Dynamic>(
                options,
                &mut Scope::new(),
                &rule.ast,
                words::HANDLER,
                (reading,),
            )
        };
        match catch_unwind(AssertUnwindSafe(call)) {
            Ok(Ok(returned)) => verdict::read(
                &self.desk,
                words::HANDLER,
                declared,
                &rule.endings,
                returned,
            ),
            Ok(Err(error)) => Err(translate(words::HANDLER, &error)),
            Err(payload) => Err((
                Position::NONE,
                Complaint::new(
                    codes::handler_broke(words::HANDLER, panic_text(&*payload)),
                    codes::mend_report(),
                ),
            )),
        }
    }

    /// What goes wrong when the rule is asked about made-up readings: at nominal, at and beyond every limit, far
    /// off; with and without a healthy gauge, known strata and product, a first attempt; with its counters and charts
    /// calm, full, and not known.
    fn try_out(&self, rule: &Rule, trial: &Trial<'_>) -> Vec<Finding> {
        let Trial {
            plant,
            station,
            characteristic,
            aims,
            version,
            declarations,
        } = *trial;
        let mut found: Vec<Finding> = Vec::new();
        let declared = &version.declared;
        let known = pieces(plant, version.product.as_ref());
        let none = vec![(version.product.clone(), BTreeMap::new())];
        let gauge = characteristic
            .gauge
            .clone()
            .unwrap_or_else(|| GaugeName::from("gauge"));
        let piece = PieceName::from("piece");
        let (calm, others) = (calm(declarations), moods(declarations));
        let first = &known[..known.len().min(1)];
        let plain = [
            (Some(&gauge), true, &known[..], 1, false, &calm),
            (Some(&gauge), false, &known, 1, false, &calm),
            (None, true, &none, 2, true, &calm),
            (None, false, &none, 1, false, &calm),
        ];
        let watched = others
            .iter()
            .map(|mood| (Some(&gauge), true, first, 1, false, mood));
        let occasions: Vec<_> = plain.into_iter().chain(watched).collect();
        self.desk.trying.set(true);
        'all: for value in values(aims, declared) {
            for (gauge, gauge_healthy, pieces, attempt, late, shown) in &occasions {
                for (product, strata) in *pieces {
                    let facts = Facts {
                        station,
                        characteristic,
                        value,
                        piece: &piece,
                        product: product.as_ref(),
                        strata,
                        gauge: *gauge,
                        gauge_healthy: *gauge_healthy,
                        attempt: *attempt,
                        late: *late,
                        watches: &[],
                    };
                    let common = Common::of(&facts);
                    let reading = ReadingFacts::new(&common, (*shown).clone(), declared);
                    let Err(fault) = self.ask(rule, declared, reading) else {
                        continue;
                    };
                    // A budget that ran out has no place, and would run out at every value.
                    let endless = fault.0.is_none();
                    // What goes wrong at one place with many values is one mistake, whatever is to be written instead.
                    let (at, complaint) = &fault;
                    let same = |(place, said): &Finding| place == at && said.what == complaint.what;
                    if !found.iter().any(same) {
                        found.push(fault);
                    }
                    if endless || found.len() == FAULTS_MAX {
                        break 'all;
                    }
                }
            }
        }
        self.desk.trying.set(false);
        found
    }
}

/// What a rule is tried on.
struct Trial<'a> {
    plant: &'a Plant,
    station: &'a Station,
    characteristic: &'a Characteristic,
    aims: &'a Aims,
    version: &'a Version,
    declarations: &'a [Declaration],
}

impl Judge for Rules {
    fn declarations(&self) -> &[Declaration] {
        &self.declarations
    }

    fn judge(&mut self, facts: &Facts<'_>) -> Vec<Opinion> {
        let applies = |rule: &&Rule| {
            rule.station == facts.station.name.as_str()
                && rule.characteristic == facts.characteristic.name.as_str()
        };
        let mut asked = self.rules.iter().filter(applies).peekable();
        if asked.peek().is_none() {
            return Vec::new();
        }
        let common = Common::of(facts);
        with_deep_stack(|| {
            asked
                .map(|rule| self.opinion(rule, facts, &common))
                .collect()
        })
    }
}

/// A panic is our own fault, not the rule's; its author should know whom to tell.
fn broke(what: &str, text: &str) -> Complaint {
    Complaint::new(
        format!("{what} met a fault of the program itself: {text}"),
        "report it with this rule",
    )
}

pub(crate) fn text(source: &Source) -> &str {
    source.text.strip_prefix('\u{feff}').unwrap_or(&source.text)
}

fn stem(file: &str) -> &str {
    file.strip_suffix(ENDING).unwrap_or(file)
}

/// The script of one file, as far as it is one at all.
fn parse(engine: &Engine, source: &Source) -> Result<AST, Wrong> {
    let fault = |at, what: String, remedy: &str| {
        Err(Wrong::new(&source.file, at, Complaint::new(what, remedy)))
    };
    let stem = stem(&source.file);
    if stem.len() == source.file.len() {
        return fault(
            Position::NONE,
            "not the name of a rule".into(),
            "the files of a rulebook end in .rhai",
        );
    }
    if stem.is_empty()
        || !stem
            .chars()
            .all(|char| char.is_ascii_alphanumeric() || "-_".contains(char))
    {
        return fault(
            Position::NONE,
            format!("'{stem}' cannot name a rule"),
            "use letters, digits, - and _",
        );
    }
    if source.text.len() > FILE_MAX {
        let what = format!(
            "the file has {} bytes, at most {FILE_MAX} are read",
            source.text.len()
        );
        return fault(Position::NONE, what, "make it several rules");
    }
    if let Some((at, complaint)) = slips::turned(text(source)) {
        return Err(Wrong::new(&source.file, at, complaint));
    }
    let compile = || engine.compile(text(source));
    match catch_unwind(AssertUnwindSafe(compile)) {
        Ok(Ok(ast)) => match slips::unclosed(engine, text(source)) {
            Some((at, complaint)) => Err(Wrong::new(&source.file, at, complaint)),
            None => Ok(ast),
        },
        Ok(Err(error)) => Err(Wrong::new(
            &source.file,
            error.position(),
            slips::complaint(text(source), error.position(), error.err_type()),
        )),
        Err(payload) => Err(Wrong::new(
            &source.file,
            Position::NONE,
            broke("the file", &panic_text(&*payload)),
        )),
    }
}

/// Two names that differ only in case are one file on some machines.
fn names_alike(sources: &[Source]) -> Vec<Wrong> {
    let mut seen: BTreeMap<String, &str> = BTreeMap::new();
    let mut faults = Vec::new();
    for source in sources {
        if let Some(first) = seen.insert(source.file.to_lowercase(), &source.file) {
            let what = format!("the name differs from {first} only in case, or not at all");
            let complaint = Complaint::new(what, "give one of them another name");
            faults.push(Wrong::new(&source.file, Position::NONE, complaint));
        }
    }
    faults
}

/// Every unit the scripts may write, by what they write. Each rule reads alike beside whatever other rules.
fn units_of(parsed: &[(&Source, AST)], plant: &Plant) -> Units {
    let scripts = || {
        parsed
            .iter()
            .map(|(source, ast)| Script::new(text(source), ast))
    };
    // What promises are counted in is no unit of a plant's.
    let names = scripts()
        .flat_map(|script| script.properties())
        .filter(|name| !words::PROMISED.contains(&name.as_str()));
    let codes = scripts().flat_map(|script| script.codes());
    Units {
        named: names
            .filter_map(|name| unit_named(&name, plant).map(|unit| (name, unit)))
            .collect(),
        coded: codes
            .filter_map(|code| unit_coded(&code, plant).map(|unit| (code, unit)))
            .collect(),
    }
}

fn in_order(mut faults: Vec<LoadFault>) -> Vec<LoadFault> {
    faults.sort_by(|a, b| (&a.file, a.line, a.column).cmp(&(&b.file, b.line, b.column)));
    faults.dedup();
    faults
}

/// Every counter and chart as it begins.
fn calm(declarations: &[Declaration]) -> Vec<Shown> {
    let begin = |declared: &Declaration| match &declared.watch {
        Watch::Counter { .. } => Shown::Counter(Count::default()),
        Watch::Chart { outlook, .. } => Shown::Chart(Drift {
            level: Some(0),
            ahead: outlook.map(|outlook| Ahead {
                outlook,
                ..Ahead::default()
            }),
            ..Drift::default()
        }),
    };
    declarations.iter().map(begin).collect()
}

/// Other ways they can stand: some marked, all marked and in signal, of an unknown stratum.
fn moods(declarations: &[Declaration]) -> Vec<Vec<Shown>> {
    if declarations.is_empty() {
        return Vec::new();
    }
    let counted = |total: u32, in_a_row: u32| {
        move |of_last: usize| {
            let pieces = u32::try_from(of_last).unwrap_or(u32::MAX);
            Count {
                total: total.min(pieces),
                in_a_row: in_a_row.min(pieces),
                pieces,
            }
        }
    };
    let drifted = |level, side: Option<Side>, limit| Drift {
        level,
        signal: side.is_some(),
        points: 1000,
        side,
        pattern: level.and(side).map(|_| RunRule::We2),
        ahead: Some(ahead(limit)),
    };
    let mood = |count: &dyn Fn(usize) -> Count, drift: &Drift| {
        let stand = |declared: &Declaration| match &declared.watch {
            Watch::Counter { of_last, .. } => Shown::Counter(count(*of_last)),
            Watch::Chart { outlook, .. } => {
                let ahead = drift.ahead.clone().filter(|_| outlook.is_some());
                Shown::Chart(Drift {
                    ahead,
                    ..drift.clone()
                })
            }
        };
        declarations.iter().map(stand).collect()
    };
    vec![
        mood(
            &counted(1, 1),
            &drifted(Some(FAR_OFF), Some(Side::Above), Some(FAR_OFF)),
        ),
        mood(
            &counted(2, 2),
            &drifted(Some(-FAR_OFF), Some(Side::Below), None),
        ),
        mood(&counted(3, 1), &drifted(None, None, Some(FAR_OFF))),
        mood(
            &counted(u32::MAX, u32::MAX),
            &Drift {
                ahead: Some(Ahead::default()),
                ..drifted(None, Some(Side::Both), None)
            },
        ),
    ]
}

/// A mean that rises by a step with each piece, and what it would reach.
fn ahead(upper: Option<i64>) -> Ahead {
    let mut trail = Trail::default();
    for (passed, count) in (1..).zip(0..20) {
        trail.push(passed, count);
    }
    Ahead {
        trail,
        passed: 20,
        outlook: Outlook {
            every: 1,
            lower: None,
            upper,
        },
        points: 20,
        centre: Some(Real(0.0)),
        sigma: Real(1.0),
    }
}

/// Values worth trying: nominal, tolerance and plausible limits, and both sides of each limit of the rule, taken
/// as a value and as a distance from nominal.
fn values(aims: &Aims, declared: &Declared) -> BTreeSet<i64> {
    let (lower, upper) = (aims.lower, aims.upper);
    let middle = aims.nominal.or_else(|| lower.or(upper)).unwrap_or(0);
    let (low, high) = aims.plausible.unwrap_or_else(|| {
        (
            middle.saturating_sub(FAR_OFF),
            middle.saturating_add(FAR_OFF),
        )
    });
    let mut marks: Vec<i64> = [Some(middle), lower, upper].into_iter().flatten().collect();
    let limits = declared.limits.values().flat_map(|limit| match limit {
        Limit::One(one) => vec![one],
        Limit::Band(low, high) => vec![low, high],
    });
    for limit in limits {
        let Ok(count) = limit.count_in(&declared.subject) else {
            continue;
        };
        marks.extend([
            count,
            middle.saturating_add(count),
            middle.saturating_sub(count),
        ]);
    }
    let sides = |mark: i64| [mark.saturating_sub(1), mark, mark.saturating_add(1)];
    let tried = marks
        .into_iter()
        .flat_map(sides)
        .filter(|value| (low..=high).contains(value));
    tried.chain([low, high, middle]).collect()
}

/// Products and sets of strata so that every declared one is met once; `only` where a product is given.
fn pieces(
    plant: &Plant,
    only: Option<&ProductName>,
) -> Vec<(Option<ProductName>, BTreeMap<StratumName, String>)> {
    let products: Vec<&ProductName> = match only {
        Some(only) => vec![only],
        None => plant.products.iter().collect(),
    };
    let rows = plant
        .strata
        .iter()
        .map(|stratum| stratum.values.len())
        .chain([products.len()])
        .max()
        .unwrap_or(0)
        .clamp(1, VALUES_MAX);
    (0..rows)
        .map(|row| {
            let value = |values: &[String]| match values.len() {
                0 => "value".to_owned(),
                len => values[row % len].clone(),
            };
            let strata = plant.strata.iter();
            let strata = strata.map(|stratum| (stratum.name.clone(), value(&stratum.values)));
            let product = products.get(row % products.len().max(1));
            (product.map(|product| (*product).clone()), strata.collect())
        })
        .collect()
}

#[cfg(test)]
pub(crate) mod tests;
