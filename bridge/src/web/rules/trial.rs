//! A change of the rules, tried before it is made: compiled, run on made-up input, and through the home's own rule tests,
//! all in memory.

use std::path::PathBuf;

use overspill_rules::home::Home;
use overspill_rules::input::{RuleSet, RuleSource};
use overspill_rules::script::{Fault, Program};
use serde::Serialize;
use utoipa::ToSchema;

use super::files::{self, FileName, Kind};
use crate::config::Config;
use crate::daemon::read_rules;
use crate::workbench::{Bench, DryRun, Trouble, dry_run};

/// Columns of the words of a failed test.
const COLUMNS: usize = 80;

/// One mistake, at its place.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Mistake {
    /// The file, below the rules' folder.
    pub(crate) file: String,
    /// Line, from 1.
    pub(crate) line: Option<usize>,
    /// Column, from 1.
    pub(crate) column: Option<usize>,
    /// What is wrong.
    pub(crate) message: String,
    /// How to mend it.
    pub(crate) help: Option<String>,
    /// The made-up situation in which it fails; null where it can't be compiled.
    pub(crate) when: Option<String>,
}

impl Mistake {
    pub(super) fn of(fault: &Fault, when: Option<&str>) -> Mistake {
        Mistake {
            file: fault.file.to_string(),
            line: fault.line,
            column: fault.column,
            message: fault.message.clone(),
            help: fault.help.clone(),
            when: when.map(str::to_owned),
        }
    }

    /// Its place in words: `car.rhai, line 3, column 5`.
    pub(crate) fn place(&self) -> String {
        let line = self.line.map_or(String::new(), |n| format!(", line {n}"));
        let column = self.column.map_or(String::new(), |n| format!(", column {n}"));
        format!("{}{line}{column}", self.file)
    }
}

/// Something to look at that does not stand against a change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Warning {
    /// A stable word for its kind.
    pub(crate) code: String,
    /// What would happen.
    pub(crate) message: String,
    /// How to mend it.
    pub(crate) help: String,
}

/// One of the home's rule tests.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, ToSchema)]
pub(crate) struct Tested {
    /// `FILE/TEST`.
    pub(crate) name: String,
    /// What it shows.
    pub(crate) about: Option<String>,
    /// Whether it passed.
    pub(crate) passed: bool,
    /// What was expected and what came, where it did not pass.
    pub(crate) failures: Vec<String>,
}

/// What came of a trial.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, ToSchema)]
pub(crate) struct Trial {
    /// Mistakes that the change brings, or that are in the file itself: it can't be put in force with them.
    pub(crate) mistakes: Vec<Mistake>,
    /// Mistakes of other files that were there before. While they are there the daemon keeps the former rules.
    pub(crate) before: Vec<Mistake>,
    /// What a careful person would look at.
    pub(crate) warnings: Vec<Warning>,
    /// The home's rule tests; none ran where there are mistakes.
    pub(crate) tests: Vec<Tested>,
}

/// A change of one file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Change {
    pub(crate) file: FileName,
    /// What it shall hold; `None` takes it away.
    pub(crate) text: Option<String>,
}

impl Trial {
    /// Whether the change may be made.
    pub(crate) fn is_good(&self) -> bool {
        self.mistakes.is_empty()
    }

    /// Tests that did not pass.
    pub(crate) fn failed(&self) -> usize {
        self.tests.iter().filter(|test| !test.passed).count()
    }

    /// What came of it, in a sentence.
    pub(crate) fn verdict(&self) -> String {
        let counted =
            |n: usize, word: &str| if n == 1 { format!("1 {word}") } else { format!("{n} {word}s") };
        if !self.mistakes.is_empty() {
            return format!("{}: this can't be put in force.", counted(self.mistakes.len(), "mistake"));
        }
        if !self.before.is_empty() {
            return format!(
                "No mistake here, but {} in other files; the daemon keeps the former rules until they are mended too.",
                counted(self.before.len(), "mistake")
            );
        }
        let tests = match (self.tests.len(), self.failed()) {
            (0, _) => "the home has no rule tests".to_owned(),
            (n, 0) => format!("{} passed", counted(n, "rule test")),
            (n, failed) => format!("{failed} of {} failed", counted(n, "rule test")),
        };
        let warnings = match self.warnings.len() {
            0 => String::new(),
            n => format!(", {} to mind", counted(n, "warning")),
        };
        format!("No mistake; {tests}{warnings}.")
    }
}

/// Tries a change against everything else as it is on the disk; writes nothing.
///
/// # Errors
/// A sentence, when the rules' folder can't be read.
pub(crate) fn tried(config: &Config, change: &Change) -> Result<Trial, String> {
    let before = read_rules(&config.rules)?;
    let after = changed(config, &before, change);
    let home = &config.home;
    let mut trial = Trial::default();
    if change.file.kind == Kind::Test {
        trial.run_tests(config, change, after)?;
        return Ok(trial);
    }
    let faults = Program::compile(home, &after).faults;
    if !faults.is_empty() {
        let known = Program::compile(home, &before).faults;
        for fault in &faults {
            trial.add(change, Mistake::of(fault, None), known.contains(fault));
        }
        return Ok(trial);
    }
    let dry = dry_run(home, &after);
    trial.add_dry(home, change, &before, &dry);
    if trial.mistakes.is_empty() {
        trial.run_tests(config, change, after)?;
    }
    Ok(trial)
}

/// The rules as they would be.
fn changed(config: &Config, before: &RuleSet, change: &Change) -> RuleSet {
    let mut set = before.clone();
    let files = match change.file.kind {
        Kind::Rule => &mut set.rules,
        Kind::Library => &mut set.library,
        Kind::Test => return set,
    };
    let name = &change.file.name;
    match (files.iter_mut().find(|file| file.name == *name), &change.text) {
        (Some(file), Some(text)) => file.text.clone_from(text),
        (_, None) => files.retain(|file| file.name != *name),
        (None, Some(text)) => files.push(RuleSource { name: name.clone(), text: text.clone() }),
    }
    set.library.sort_by(|a, b| a.name.cmp(&b.name));
    let names = config.rules.ranked(set.rules.iter().map(|rule| rule.name.clone()).collect());
    set.rules.sort_by_key(|rule| names.iter().position(|name| *name == rule.name));
    set
}

impl Trial {
    fn add(&mut self, change: &Change, mistake: Mistake, known: bool) {
        if known && mistake.file != change.file.path() {
            self.before.push(mistake);
        } else {
            self.mistakes.push(mistake);
        }
    }

    fn add_dry(&mut self, home: &Home, change: &Change, before: &RuleSet, dry: &DryRun) {
        let elsewhere = dry.failures.iter().any(|f| f.fault.file.to_string() != change.file.path());
        // Only then does it matter what failed before.
        let known = match elsewhere && Program::compile(home, before).faults.is_empty() {
            true => dry_run(home, before).failures,
            false => Vec::new(),
        };
        for failure in &dry.failures {
            let was_there = known.iter().any(|k| k.fault == failure.fault);
            self.add(change, Mistake::of(&failure.fault, Some(&failure.when)), was_there);
        }
        let warning = |w: &crate::workbench::DryWarning| Warning {
            code: w.code.to_owned(),
            message: w.message.clone(),
            help: w.help.clone(),
        };
        self.warnings = dry.warnings.iter().map(warning).collect();
    }

    fn run_tests(&mut self, config: &Config, change: &Change, rules: RuleSet) -> Result<(), String> {
        match Bench::of(config, rules, tests(config, change)?) {
            Ok(bench) => {
                let report = bench.run("", COLUMNS);
                self.tests = report.results.into_iter().map(tested).collect();
            }
            Err(Trouble::Unreadable(why)) => return Err(why),
            Err(Trouble::Rules(told)) => {
                let failures =
                    std::iter::once("the rules have mistakes, so no test can run".to_owned()).chain(told);
                self.tests.push(Tested {
                    name: "all".to_owned(),
                    about: None,
                    passed: false,
                    failures: failures.collect(),
                });
            }
            Err(Trouble::Tests(found)) => self.add_test_mistakes(change, &found),
        }
        Ok(())
    }

    fn add_test_mistakes(&mut self, change: &Change, found: &[crate::config::Diagnostics]) {
        for file in found {
            for one in file.list() {
                let (line, column) = file.line_column(one.span.start);
                let label = if one.label.is_empty() { String::new() } else { format!(" ({})", one.label) };
                let mistake = Mistake {
                    file: file.path().to_owned(),
                    line: Some(line),
                    column: Some(column),
                    message: format!("{}{label}", one.message),
                    help: one.help.first().cloned(),
                    when: None,
                };
                if mistake.file == change.file.path() {
                    self.mistakes.push(mistake);
                } else {
                    self.tests.push(unreadable(&mistake));
                }
            }
        }
    }
}

/// A test file with a mistake is as good as a test that failed.
fn unreadable(mistake: &Mistake) -> Tested {
    let failures = vec![format!("{}: {}", mistake.place(), mistake.message)];
    Tested { name: mistake.file.clone(), about: None, passed: false, failures }
}

fn tested(result: crate::workbench::Result) -> Tested {
    Tested { passed: result.passed(), name: result.name, about: result.about, failures: result.failures }
}

/// The home's test files with the change, each by its name alone.
fn tests(config: &Config, change: &Change) -> Result<Vec<(PathBuf, String)>, String> {
    let folder = &config.rules.folder;
    let mut found = Vec::new();
    let mut names = files::list(folder)?.files;
    if !names.contains(&change.file) {
        names.push(change.file.clone());
        names.sort();
    }
    for file in names.into_iter().filter(|file| file.kind == Kind::Test) {
        let text = match file == change.file {
            true => change.text.clone(),
            false => file.read(folder)?.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()),
        };
        found.extend(text.map(|text| (PathBuf::from(file.path()), text)));
    }
    Ok(found)
}
