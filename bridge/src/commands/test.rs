//! `overspill test`: runs the home's rule tests.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use clap::ValueEnum;
use serde_json::json;

use crate::cli::Outcome;
use crate::config::{self, Config, Look, ReadError};
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

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

/// How often the files are looked at while watching.
const LOOK_EVERY: Duration = Duration::from_millis(500);

/// Runs the command; everything is printed to the standard output.
pub fn run(args: &Args) -> Outcome {
    let mut seen = stand(&args.home);
    loop {
        let (text, outcome) = once(args);
        // A reader that went away, as `head` does, is no failure of the tests.
        let _ = io::stdout().write_all(text.as_bytes());
        if !args.watch {
            return outcome;
        }
        let _ = writeln!(io::stdout(), "\nWaiting for a change; Ctrl-C ends this.");
        while stand(&args.home) == seen {
            std::thread::sleep(LOOK_EVERY);
        }
        seen = stand(&args.home);
        let _ = writeln!(io::stdout(), "\n--------");
    }
}

fn once(args: &Args) -> (String, Outcome) {
    let look = look();
    let config = match config::read(&args.home) {
        Ok(config) => config,
        Err(why) => return could_not(args, &home_words(&why, look)),
    };
    let bench = match Bench::open(&config) {
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
        Trouble::Rules(faults) => faults.join("\n\n"),
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
        for folder in [config.rules.folder.clone(), config.rules.folder.join("lib")] {
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
