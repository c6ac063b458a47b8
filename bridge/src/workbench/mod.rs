//! The rule workbench: rules are tried before they drive anything, against the one controller, in virtual time.
//!
//! A test file stands beside the rules and is called `NAME.test.toml`. It says what the devices tell, what people ask,
//! and what must be seen. What it may hold is in `table`, how values go with time in `series`, what the made-up home
//! does in `world`.

mod case;
mod cover;
mod drive;
mod dry;
mod judge;
mod moments;
mod people;
mod price;
mod read;
mod report;
mod series;
mod story;
mod table;
mod told;
mod world;

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use overspill_rules::home::Home;
use overspill_rules::input::RuleSet;
use overspill_rules::script::Program;

pub use case::Case;
pub use dry::{DryFailure, DryRun, DryWarning, dry_run};
pub use report::{Outcome, Report, Result};

use crate::config::{Config, Diagnostics};
use crate::daemon::read_rules;
use crate::shadow;
use cover::Cover;
use drive::Plan;
use read::Names;

/// Why tests could not be run.
#[derive(Debug, Clone, PartialEq)]
pub enum Trouble {
    /// A file or folder can't be read.
    Unreadable(String),
    /// Rules have mistakes: each as people read it.
    Rules(Vec<String>),
    /// Test files have mistakes.
    Tests(Vec<Diagnostics>),
}

/// The tests of a home, ready to run.
pub struct Bench {
    home: Arc<Home>,
    rules: RuleSet,
    program: Program,
    cases: Vec<Case>,
}

impl Bench {
    /// Reads the rules of a home and every test file beside them.
    ///
    /// # Errors
    /// Every mistake in the rules; where they have none, every mistake in the test files.
    pub fn open(config: &Config) -> std::result::Result<Bench, Trouble> {
        let rules = read_rules(&config.rules).map_err(Trouble::Unreadable)?;
        let folder = &config.rules.folder;
        let files = test_files(folder).map_err(|why| told(folder, &why))?;
        Bench::of(config, rules, texts(files)?)
    }

    /// The same for these rules, with these test files: the path of each and its text.
    ///
    /// # Errors
    /// As for the live rules.
    pub fn of(
        config: &Config,
        rules: RuleSet,
        tests: Vec<(PathBuf, String)>,
    ) -> std::result::Result<Bench, Trouble> {
        let compiled = Program::compile(&config.home, &rules);
        if !compiled.faults.is_empty() {
            return Err(Trouble::Rules(compiled.faults.iter().map(ToString::to_string).collect()));
        }
        let names: Vec<String> = rules.rules.iter().map(|r| r.name.clone()).collect();
        let (mut cases, mut mistakes) = (Vec::new(), Vec::new());
        for (path, text) in tests {
            match read::read(&text, &path, Names { home: &config.home, rules: &names }) {
                Ok(read) => cases.extend(read),
                Err(found) => mistakes.push(found),
            }
        }
        if mistakes.is_empty() {
            Ok(Bench { home: Arc::new(config.home.clone()), rules, program: compiled.program, cases })
        } else {
            Err(Trouble::Tests(mistakes))
        }
    }

    /// The same for the rules of a shadow: tests of its own stand in the place of live ones of the same name, and the
    /// others must hold for it too, but those of a rule that it leaves out.
    ///
    /// # Errors
    /// As for the live rules; also where the home has no such shadow.
    pub fn open_shadow(config: &Config, name: &str) -> std::result::Result<Bench, Trouble> {
        let shadow = shadow::named(config, name).map_err(Trouble::Unreadable)?;
        let rules = shadow::shadow_rules(config, name).map_err(Trouble::Unreadable)?;
        let mut files = BTreeMap::new();
        for folder in [&config.rules.folder, &shadow.folder] {
            let found = test_files(folder).map_err(|why| told(folder, &why))?;
            files.extend(found.into_iter().filter_map(|path| Some((path.file_name()?.to_owned(), path))));
        }
        shadow.without.iter().for_each(|rule| drop(files.remove(OsStr::new(&format!("{rule}.test.toml")))));
        Bench::of(config, rules, texts(files.into_values().collect())?)
    }

    /// The tests whose name has `filter` in it, in the order of the files.
    pub fn chosen(&self, filter: &str) -> Vec<&Case> {
        self.cases.iter().filter(|c| c.name.contains(filter)).collect()
    }

    /// Runs tests, in order. What no test exercised is told only where every test ran.
    pub fn run(&self, filter: &str, columns: usize) -> Report {
        let mut cover = Cover::default();
        let cases = self.chosen(filter);
        let results: Vec<Result> = cases.iter().map(|case| self.run_one(case, columns, &mut cover)).collect();
        let whole = !results.is_empty() && results.len() == self.cases.len();
        let (silent, missing) = match whole {
            true => (
                cover.silent_rules(self.program.rules()).into_iter().map(str::to_owned).collect(),
                cover.missing(&self.home, self.program.rules()),
            ),
            false => (Vec::new(), Vec::new()),
        };
        let missing = missing
            .into_iter()
            .map(|(rule, load, turn)| (rule, self.home.load(load).id.clone(), turn.word()))
            .collect();
        Report { results, silent, missing, whole }
    }

    fn run_one(&self, case: &Case, columns: usize, cover: &mut Cover) -> Result {
        let began = std::time::Instant::now();
        let plan = Plan {
            start: case.start,
            lasts: case.lasts,
            step: drive::SECOND,
            clock_unset_for: case.clock_unset_for,
            given: &case.given,
            people: &case.people,
        };
        let story = drive::run(&self.home, &self.rules, plan);
        cover.add(&story);
        let failures = judge::judge(&self.home, case, &story);
        let told = failures.iter().map(|f| told::failure(&self.home, case, &story, f, columns)).collect();
        let lines = failures.iter().map(|f| f.line.unwrap_or(case.line)).collect();
        Result {
            name: case.name.clone(),
            about: case.about.clone(),
            file: case.file.clone(),
            line: case.line,
            failures: told,
            failure_lines: lines,
            lasts: case.lasts,
            took: began.elapsed(),
        }
    }
}

/// The text of each test file.
fn texts(files: Vec<PathBuf>) -> std::result::Result<Vec<(PathBuf, String)>, Trouble> {
    let read = |path: PathBuf| match std::fs::read_to_string(&path) {
        Ok(text) => Ok((path, text)),
        Err(why) => Err(told(&path, &why)),
    };
    files.into_iter().map(read).collect()
}

fn told(path: &Path, why: &io::Error) -> Trouble {
    Trouble::Unreadable(format!("{} can't be read: {why}", path.display()))
}

/// The test files of a folder by name; none where there is no such folder.
fn test_files(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let entries = match std::fs::read_dir(folder) {
        Ok(entries) => entries,
        Err(why) if why.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(why) => return Err(why),
    };
    let mut files = Vec::new();
    for entry in entries {
        let path = entry?.path();
        let named = path.file_name().and_then(|n| n.to_str()).is_some_and(|n| n.ends_with(read::ENDING));
        if named && path.is_file() {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}
