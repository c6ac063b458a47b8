//! `overspill check`: reads the home file, points at every mistake, and says in short what a good one does.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use serde_json::{Value, json};

use crate::cli::Outcome;
use crate::config::{self, Config, Diagnostics, Look, ReadError, Summary};

/// Read the home file, point at every mistake, and say what it does
///
/// Ends with 0 when the home file is good, 1 when it has mistakes, 2 when it can't be read.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml", required_unless_present = "schema")]
    home: Option<PathBuf>,
    /// How to print what was found
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Print the JSON Schema of home files, for editors, and nothing else
    #[arg(long, conflicts_with_all = ["home", "format"])]
    schema: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
}

/// Runs the command; everything is printed to the standard output.
pub fn run(args: &Args) -> Outcome {
    let (text, outcome) = match &args.home {
        None => (format!("{:#}\n", config::schema()), Outcome::Done),
        Some(path) => check(path, args.format, look()),
    };
    // A reader that went away, as `head` does, is no failure of the check.
    let _ = io::stdout().write_all(text.as_bytes());
    outcome
}

/// Colours and width of the terminal; plain and 80 columns where there is none.
fn look() -> Look {
    let terminal = io::stdout().is_terminal();
    let columns = if terminal { crossterm::terminal::size().map_or(80, |(columns, _)| columns) } else { 80 };
    let styled = terminal && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    Look { styled, columns: usize::from(columns).clamp(60, 100) }
}

fn check(path: &Path, format: Format, look: Look) -> (String, Outcome) {
    let result = config::read(path);
    let outcome = match &result {
        Ok(_) => Outcome::Done,
        Err(ReadError::Mistakes(_)) => Outcome::No,
        Err(ReadError::File { .. }) => Outcome::CouldNotRun,
    };
    let text = match format {
        Format::Text => as_text(path, &result, look),
        Format::Json => format!("{:#}\n", as_json(path, &result)),
    };
    (text, outcome)
}

fn as_text(path: &Path, result: &Result<Config, ReadError>, look: Look) -> String {
    match result {
        Ok(config) => {
            let found = with_findings(&config.warnings, look);
            let file = path.display();
            let verdict = match config.warnings.warnings() {
                0 => format!("{file} is good."),
                n => format!("{file} can be used; mind {}.", counted(n, "warning")),
            };
            format!("{found}{verdict}\n\n{}", summary(config).to_text(look.columns))
        }
        Err(ReadError::Mistakes(found)) => {
            let verdict = match found.warnings() {
                0 => counted(found.errors(), "mistake"),
                n => format!("{} and {}", counted(found.errors(), "mistake"), counted(n, "warning")),
            };
            format!("{}{} in {}.\n", with_findings(found, look), verdict, path.display())
        }
        Err(why) => format!("{why}\n"),
    }
}

fn with_findings(found: &Diagnostics, look: Look) -> String {
    if found.list().is_empty() { String::new() } else { format!("{}\n\n", found.render(look)) }
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn as_json(path: &Path, result: &Result<Config, ReadError>) -> Value {
    let (found, summary, why) = match result {
        Ok(config) => (Some(&config.warnings), Some(summary(config)), None),
        Err(ReadError::Mistakes(found)) => (Some(&**found), None, None),
        Err(why) => (None, None, Some(why.to_string())),
    };
    json!({
        "file": path.display().to_string(),
        "good": result.is_ok(),
        "mistakes": found.map(Diagnostics::errors),
        "warnings": found.map(Diagnostics::warnings),
        "found": found.map_or(json!([]), Diagnostics::to_json),
        "summary": summary,
        "failure": why,
    })
}

fn summary(config: &Config) -> Summary {
    let names = config::rule_names(&config.rules.folder).unwrap_or_default();
    Summary::of(config, config.rules.ranked(names))
}
