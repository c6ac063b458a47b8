//! `overspill test`: runs the home's rule tests.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use serde_json::json;

use super::args::Format;
use crate::cli::Outcome;
use crate::config::{self, Config, Look, ReadError, render};
use crate::workbench::{self, Bench, Report, Trouble};

/// Run the rule tests of a home, in virtual time
///
/// Tests stand beside the rules in files called `NAME.test.toml`. Ends with 0 when all passed, 1 when one failed, 2 when
/// the tests could not be run, 3 when there is none.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// Run only tests with this in their name, as in `car/` or `night`
    #[arg(value_name = "FILTER", default_value = "")]
    filter: String,
    /// Test the rules of this shadow, laid over the live ones, instead of the live ones
    #[arg(long, value_name = "NAME")]
    shadow: Option<String>,
    /// How to print the outcome
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Write the outcome for build servers to this file too (JUnit's XML)
    #[arg(long, value_name = "FILE")]
    junit: Option<PathBuf>,
    /// Run again whenever the home file, a rule or a test is saved; Ctrl-C ends it
    #[arg(long, conflicts_with = "format")]
    watch: bool,
}

/// How often the files are looked at while watching.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Runs the command; everything is printed to the standard output.
pub fn run(args: &Args) -> Outcome {
    // A reader that went away, as `head` does, is no failure of the tests.
    let mut print = |text: &str| drop(io::stdout().write_all(text.as_bytes()));
    if args.watch {
        watch(args, &mut print, || {
            std::thread::sleep(LOOK_EVERY);
            true
        });
        return Outcome::Done;
    }
    let (text, outcome) = once(args);
    print(&text);
    outcome
}

/// Runs the tests, and again whenever a file has changed since the last run began. `goes_on` waits before each look, and
/// ends the watch with `false`.
fn watch(args: &Args, print: &mut impl FnMut(&str), mut goes_on: impl FnMut() -> bool) {
    loop {
        // Taken before the run, so that what is saved while it lasts is seen.
        let seen = stand(&args.home);
        print(&once(args).0);
        print("\nWaiting for a change; Ctrl-C ends this.\n");
        while stand(&args.home) == seen {
            if !goes_on() {
                return;
            }
        }
        print("\n--------\n");
    }
}

fn once(args: &Args) -> (String, Outcome) {
    let look = look();
    let config = match config::read(&args.home) {
        Ok(config) => config,
        Err(why) => return could_not(args, &home_words(&why, look)),
    };
    let opened = match &args.shadow {
        Some(name) => Bench::open_shadow(&config, name),
        None => Bench::open(&config),
    };
    let bench = match opened {
        Ok(bench) => bench,
        Err(why) => return could_not(args, &trouble_words(&why, look)),
    };
    let report = bench.run(&args.filter, look.columns);
    if let Some(file) = &args.junit
        && let Err(why) = std::fs::write(file, report.to_junit(&config.home.id))
    {
        return could_not(args, &format!("{} can't be written: {why}", file.display()));
    }
    (as_text(args, &config, &report, look), outcome(&report))
}

fn outcome(report: &Report) -> Outcome {
    match report.outcome() {
        workbench::Outcome::Passed => Outcome::Done,
        workbench::Outcome::Failed => Outcome::No,
        workbench::Outcome::NoTest => Outcome::NoTest,
    }
}

fn as_text(args: &Args, config: &Config, report: &Report, look: Look) -> String {
    if args.format == Format::Json {
        return format!("{:#}\n", report.to_json());
    }
    let mut text = report.to_text(look.columns);
    if report.outcome() == workbench::Outcome::NoTest {
        let place = config.rules.folder.display();
        text.push_str(&match args.filter.as_str() {
            "" => format!("Tests stand in files called NAME.test.toml in {place}.\n"),
            filter => format!("None in {place} has \"{filter}\" in its name.\n"),
        });
    }
    text
}

fn could_not(args: &Args, why: &str) -> (String, Outcome) {
    let text = match args.format {
        Format::Json => format!("{:#}\n", json!({ "failure": why })),
        Format::Text => format!("{why}\n\nThe tests could not be run.\n"),
    };
    (text, Outcome::CouldNotRun)
}

fn home_words(why: &ReadError, look: Look) -> String {
    match why {
        ReadError::Mistakes(found) => found.render(look),
        other => other.to_string(),
    }
}

fn trouble_words(why: &Trouble, look: Look) -> String {
    match why {
        Trouble::Unreadable(why) => why.clone(),
        Trouble::Rules(faults) => {
            faults.iter().map(|f| render::fault(f, look.columns)).collect::<Vec<_>>().join("\n\n")
        }
        Trouble::Tests(files) => files.iter().map(|f| f.render(look)).collect::<Vec<_>>().join("\n\n"),
    }
}

/// Colours and width of the terminal; plain and 80 columns where there is none.
fn look() -> Look {
    let terminal = io::stdout().is_terminal();
    let columns = if terminal { crossterm::terminal::size().map_or(80, |(columns, _)| columns) } else { 80 };
    let styled = terminal && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    Look { styled, columns: usize::from(columns).clamp(60, 100) }
}

/// Name, size and time of the home file and of every file beside the rules, so that a save is seen.
fn stand(home: &Path) -> Vec<(PathBuf, u64, Option<SystemTime>)> {
    let mut files = vec![home.to_owned()];
    if let Ok(config) = config::read(home) {
        let folders = std::iter::once(&config.rules.folder).chain(config.shadows.iter().map(|s| &s.folder));
        for folder in folders.flat_map(|folder| [folder.clone(), folder.join("lib")]) {
            let entries = std::fs::read_dir(folder).into_iter().flatten();
            files.extend(entries.filter_map(|e| e.ok().map(|e| e.path())));
        }
    }
    files.sort();
    let meta = |path: PathBuf| {
        let meta = std::fs::metadata(&path).ok()?;
        Some((path, meta.len(), meta.modified().ok()))
    };
    files.into_iter().filter_map(meta).collect()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::indexing_slicing)]

    use std::fs;

    use super::*;

    const RULE: &str = "fn decide(home) { home.load(\"car\").run(\"always\"); }";
    const TEST: &str = "[test.one]\nstart = \"2026-01-15 01:00\"\ngiven = { base = 300 }\n\
        expect = [{ at = \"01:05\", load = \"car\", on = true }]\n";

    /// A home with one rule and one test.
    fn home(folder: &Path) -> Args {
        fs::create_dir_all(folder.join("rules/lib")).unwrap();
        let text = include_str!("../../tests/rule_tests/further/home.toml");
        fs::write(folder.join("home.toml"), text).unwrap();
        fs::write(folder.join("rules/car.rhai"), RULE).unwrap();
        fs::write(folder.join("rules/car.test.toml"), TEST).unwrap();
        let home = folder.join("home.toml");
        Args { home, filter: String::new(), format: Format::Text, junit: None, watch: true, shadow: None }
    }

    /// What is printed while these saves are made, one at each look.
    fn watched(args: &Args, saves: &[(&str, &str)]) -> Vec<String> {
        let folder = args.home.parent().unwrap();
        let (mut printed, mut saves) = (String::new(), saves.iter());
        watch(args, &mut |text| printed.push_str(text), || match saves.next() {
            Some((name, text)) => fs::write(folder.join(name), text).is_ok(),
            None => false,
        });
        printed.split("\n--------\n").map(str::to_owned).collect()
    }

    #[test]
    fn each_save_runs_the_tests_again() {
        let folder = tempfile::tempdir().unwrap();
        let args = home(folder.path());
        let runs = watched(
            &args,
            &[
                ("rules/car.rhai", &RULE.replace("run(\"always\")", "stop(\"not ever\")")),
                ("rules/car.rhai", "fn decide(home) {"),
                ("rules/car.rhai", RULE),
                ("rules/car.test.toml", &TEST.replace("on = true", "on = true, amps = 6")),
                ("rules/lib/helper.rhai", "fn helps() { true }"),
                ("home.toml", "[home]"),
            ],
        );
        let says = |n: usize, what: &str| assert!(runs[n].contains(what), "run {n}: {}", runs[n]);
        assert_eq!(runs.len(), 7, "{runs:?}");
        says(0, "1 test passed");
        says(1, "FAIL  car/one");
        says(2, "The tests could not be run.");
        says(3, "1 test passed");
        says(4, "FAIL  car/one");
        says(5, "FAIL  car/one");
        says(6, "The tests could not be run.");
        assert!(runs.iter().all(|r| r.ends_with("Waiting for a change; Ctrl-C ends this.\n")));
    }

    #[test]
    fn without_a_save_nothing_runs_again() {
        let folder = tempfile::tempdir().unwrap();
        let args = home(folder.path());
        let mut looks = 0;
        let mut printed = String::new();
        watch(&args, &mut |text| printed.push_str(text), || {
            looks += 1;
            looks < 5
        });
        assert_eq!(printed.matches("1 test passed").count(), 1, "{printed}");
    }

    #[test]
    fn what_is_saved_during_a_run_is_seen() {
        let folder = tempfile::tempdir().unwrap();
        let args = home(folder.path());
        let file = folder.path().join("rules/car.rhai");
        let mut printed = Vec::new();
        let mut saved = false;
        let mut print = |text: &str| {
            // The first thing printed is the outcome: the run is over, the first look is still to come.
            if !std::mem::replace(&mut saved, true) {
                fs::write(&file, format!("{RULE} ")).unwrap();
            }
            printed.push(text.to_owned());
        };
        watch(&args, &mut print, || false);
        assert_eq!(printed.iter().filter(|t| t.contains("1 test passed")).count(), 2, "{printed:?}");
    }
}
