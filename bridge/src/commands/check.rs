//! `overspill check`: reads the home file, points at every mistake, and says in short what a good one does.

use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

use overspill_rules::script::Fault;
use serde_json::{Value, json};

use super::args::Format;
use crate::cli::Outcome;
use crate::config::render::{self, wrapped};
use crate::config::{self, CodeFindings, Config, Diagnostics, Look, ReadError, ShadowFindings, Summary};
use crate::workbench::{DryRun, DryWarning};

/// Read the home file, point at every mistake, and say what it does
///
/// Reads the rules and expressions too. Tries every rule on made-up input. Ends with 0 when all is good, 1 when there are
/// mistakes, 2 when it can't be read.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml", required_unless_present = "schema")]
    home: Option<PathBuf>,
    /// How to print what was found
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// Print the JSON Schema of home files, for editors, and nothing else
    #[arg(long, conflicts_with_all = ["home", "format", "strict"])]
    schema: bool,
    /// Let warnings count as mistakes
    #[arg(long)]
    strict: bool,
}

/// Runs the command; everything is printed to the standard output.
pub fn run(args: &Args) -> Outcome {
    let (text, outcome) = match &args.home {
        None => (format!("{:#}\n", config::schema()), Outcome::Done),
        Some(path) => check(path, args, look()),
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

fn check(path: &Path, args: &Args, look: Look) -> (String, Outcome) {
    let result = config::read(path);
    let code = result.as_ref().ok().map(config::check_code);
    let outcome = match &result {
        Ok(_) if code.as_ref().is_some_and(|c| c.mistakes() > 0) => Outcome::No,
        Ok(_) => Outcome::Done,
        Err(ReadError::Mistakes(_)) => Outcome::No,
        Err(ReadError::File { .. }) => Outcome::CouldNotRun,
    };
    let warned = result.as_ref().is_ok_and(|c| c.warnings.warnings() > 0)
        || code.as_ref().is_some_and(|c| !c.warnings().is_empty());
    let outcome = if args.strict && warned && outcome == Outcome::Done { Outcome::No } else { outcome };
    let text = match args.format {
        Format::Text => as_text(path, &result, code.as_ref(), look),
        Format::Json => format!("{:#}\n", as_json(path, &result, code.as_ref())),
    };
    (text, outcome)
}

fn as_text(
    path: &Path,
    result: &Result<Config, ReadError>,
    code: Option<&CodeFindings>,
    look: Look,
) -> String {
    match result {
        Ok(config) => {
            let found = with_findings(&config.warnings, look);
            if let Some(code) = code.filter(|c| c.mistakes() > 0) {
                return format!("{found}{}", code_as_text(path, code, look));
            }
            let file = path.display();
            let dry = code.map_or(String::new(), |c| warnings_as_text(&c.warnings(), look));
            let verdict = match config.warnings.warnings() + code.map_or(0, |c| c.warnings().len()) {
                0 => format!("{file} is good."),
                n => format!("{file} can be used; mind {}.", counted(n, "warning")),
            };
            format!("{found}{dry}{verdict}\n\n{}", summary(config).to_text(look.columns))
        }
        Err(ReadError::Mistakes(found)) => {
            let verdict = match found.warnings() {
                0 => counted(found.errors(), "mistake"),
                n => format!("{} and {}", counted(found.errors(), "mistake"), counted(n, "warning")),
            };
            let (found, file) = (with_findings(found, look), path.display());
            format!("{found}{verdict} in {file}. The rules are looked at once it is good.\n")
        }
        Err(why) => format!("{why}\n"),
    }
}

/// The home file is good, but not what the household wrote in it and beside it.
fn code_as_text(path: &Path, code: &CodeFindings, look: Look) -> String {
    let mut text = with_findings(&code.expressions, look);
    let told = |fault: &Fault| render::fault(&fault.to_string(), look.columns);
    for fault in &code.rules {
        text.push_str(&format!("{}\n\n", told(fault)));
    }
    for failure in &code.dry.failures {
        let when =
            wrapped(&format!("it fails {}", failure.when), look.columns - 8).replace('\n', "\n        ");
        text.push_str(&format!("{}\n  when: {when}\n\n", told(&failure.fault)));
    }
    code.shadows.iter().for_each(|shadow| text.push_str(&shadow.to_text(look.columns)));
    if let Some(why) = &code.unreadable {
        text.push_str(&format!("{why}\n\n"));
    }
    text.push_str(&format!(
        "{} in the rules and expressions of {}.\n",
        counted(code.mistakes(), "mistake"),
        path.display()
    ));
    text
}

fn warnings_as_text(warnings: &[DryWarning], look: Look) -> String {
    let one = |w: &DryWarning| {
        let message = wrapped(&format!("warning[{}]: {}", w.code, w.message), look.columns);
        let help = wrapped(&w.help, look.columns - 8).replace('\n', "\n        ");
        format!("{message}\n  help: {help}\n\n")
    };
    warnings.iter().map(one).collect()
}

fn with_findings(found: &Diagnostics, look: Look) -> String {
    if found.list().is_empty() { String::new() } else { format!("{}\n\n", found.render(look)) }
}

fn counted(n: usize, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

fn as_json(path: &Path, result: &Result<Config, ReadError>, code: Option<&CodeFindings>) -> Value {
    let (found, summary, why) = match result {
        Ok(config) => (Some(&config.warnings), Some(summary(config)), None),
        Err(ReadError::Mistakes(found)) => (Some(&**found), None, None),
        Err(why) => (None, None, Some(why.to_string())),
    };
    let listed = [found, code.map(|c| &c.expressions)].into_iter().flatten().map(Diagnostics::to_json);
    let found_all: Vec<Value> = listed.flat_map(|v| v.as_array().cloned().unwrap_or_default()).collect();
    json!({
        "file": path.display().to_string(),
        "good": result.is_ok() && code.is_none_or(|c| c.mistakes() == 0),
        "mistakes": found.map(|f| f.errors() + code.map_or(0, CodeFindings::mistakes)),
        "warnings": found.map(|f| f.warnings() + code.map_or(0, |c| c.warnings().len())),
        "found": found_all,
        "rules": code.map_or_else(Vec::new, |c| c.rules.iter().map(fault_json).collect()),
        "dry_run": code.map(|c| dry_json(&c.dry)),
        "shadows": code.map_or_else(Vec::new, |c| c.shadows.iter().map(shadow_json).collect()),
        "summary": summary,
        "failure": why.or_else(|| code.and_then(|c| c.unreadable.clone())),
    })
}

fn dry_json(dry: &DryRun) -> Value {
    let failures: Vec<Value> =
        dry.failures.iter().map(|f| json!({ "when": f.when, "fault": fault_json(&f.fault) })).collect();
    let warnings: Vec<Value> = dry
        .warnings
        .iter()
        .map(|w| json!({ "code": w.code, "message": w.message, "help": w.help }))
        .collect();
    json!({ "failures": failures, "warnings": warnings })
}

fn shadow_json(shadow: &ShadowFindings) -> Value {
    json!({
        "shadow": shadow.name,
        "rules": shadow.rules.iter().map(fault_json).collect::<Vec<Value>>(),
        "dry_run": dry_json(&shadow.dry),
        "failure": shadow.unreadable,
    })
}

fn fault_json(fault: &Fault) -> Value {
    json!({
        "file": fault.file.to_string(),
        "line": fault.line,
        "column": fault.column,
        "message": fault.message,
        "help": fault.help,
    })
}

fn summary(config: &Config) -> Summary {
    let names = config::rule_names(&config.rules.folder).unwrap_or_default();
    Summary::of(config, config.rules.ranked(names))
}
