//! `overspill journal`: what is in the journal, how much room it takes, and whether all of it can be read.

use std::fmt::Write as _;
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use overspill_rules::time::WallTime;
use serde_json::{Value, json};

use super::args::Format;
use super::opening::local;
use crate::cli::Outcome;
use crate::config::{self, Config, Look, ReadError};
use crate::store::{Checked, Inventory, Keep, SeriesSize, StoreReader};

/// Tell what is in the journal, how much room it takes, and whether it is sound
///
/// Works while the daemon runs and while it does not, and changes nothing. Ends with 0 when all is well, 1 when --check
/// found damage, 2 when the journal can't be read.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// Also have SQLite check the file, and unpack every sealed block; takes a while in a large journal
    #[arg(long)]
    check: bool,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Runs the command; what it tells goes to the standard output, why it could not to the standard error.
pub fn run(args: &Args) -> Outcome {
    let config = match config::read(&args.home) {
        Ok(config) => config,
        Err(ReadError::Mistakes(found)) => {
            return fail(&format!("{}\nThe home file has mistakes.", found.render(Look::PLAIN)));
        }
        Err(why) => return fail(&why.to_string()),
    };
    let looked = StoreReader::open_read_only(&config.store.path).and_then(|journal| {
        let checked = args.check.then(|| journal.check(|_, _| {})).transpose()?;
        Ok((journal.inventory()?, checked))
    });
    let (inventory, checked) = match looked {
        Ok(looked) => looked,
        Err(why) => return fail(&why.to_string()),
    };
    let text = match args.format {
        Format::Text => as_text(&config, &inventory, checked.as_ref()),
        Format::Json => format!("{:#}\n", as_json(&config, &inventory, checked.as_ref())),
    };
    // A reader that went away, as `head` does, is no failure.
    let _ = io::stdout().write_all(text.as_bytes());
    match checked {
        Some(checked) if !checked.faults.is_empty() => Outcome::No,
        _ => Outcome::Done,
    }
}

fn fail(why: &str) -> Outcome {
    let _ = writeln!(io::stderr(), "{why}");
    Outcome::CouldNotRun
}

fn as_text(config: &Config, found: &Inventory, checked: Option<&Checked>) -> String {
    let mut text = String::new();
    let mut line = |what: &str, told: String| {
        let _ = writeln!(text, "{what:<14}{told}");
    };
    line("journal", shown_path(&config.store.path));
    line("size", size_told(found));
    let time =
        |at: Option<WallTime>| at.map_or("nothing yet".to_owned(), |at| local(at, &config.home.timezone));
    line("from", time(found.extent.map(|e| e.first)));
    line("to", time(found.extent.map(|e| e.last)));
    line("readings", counted(found.samples));
    if let Some(each) = found.bytes_per_sample {
        line("a reading", format!("{each:.3} bytes of the whole file, whatever else is in it"));
    }
    let (stretches, stamps) = (counted(found.stretches), bytes(found.stamp_bytes));
    let word = if found.stretches == 1 { "stretch" } else { "stretches" };
    line("sealed", format!("{stretches} {word} of at most a day; the stamps take {stamps}"));
    line("energy", format!("{} half hours", counted(found.half_hours)));
    line("decisions", counted(found.decisions));
    line("starts", counted(found.runs));
    line("committed", format!("every {}; a power cut costs at most so much", config.store.commit_every));
    if let Some(checked) = checked {
        line("check", check_told(checked));
    }
    let keep = Keep::of(config.store.keep.iter().cloned());
    for (title, list) in [("readings", &found.series), ("made by the program", &found.made)] {
        if !list.is_empty() {
            text.push_str(&table(title, list, &keep));
        }
    }
    text
}

fn size_told(found: &Inventory) -> String {
    let mut told = bytes(found.file_bytes);
    if found.log_bytes > 0 {
        let _ = write!(told, ", and {} of log beside it", bytes(found.log_bytes));
    }
    if found.free_bytes > 0 {
        let _ = write!(told, "; {} of it free", bytes(found.free_bytes));
    }
    told
}

fn check_told(checked: &Checked) -> String {
    let seen =
        format!("{} blocks with {} entries unpacked", counted(checked.blocks), counted(checked.entries));
    match checked.faults.as_slice() {
        [] => format!("sound: {seen}, and SQLite finds no fault"),
        faults => format!("DAMAGED: {seen}\n              {}", faults.join("\n              ")),
    }
}

fn table(title: &str, list: &[SeriesSize], keep: &Keep) -> String {
    let widest = list.iter().map(|s| s.name.len()).chain([title.len()]).max().unwrap_or(0);
    let mut text =
        format!("\n{title:<widest$}  {:>12} {:>12} {:>10}  kept\n", "rows", "sealed", "bytes each");
    for s in list {
        let each = match s.sealed {
            0 => "-".to_owned(),
            sealed => format!("{:.3}", s.block_bytes as f64 / sealed as f64),
        };
        let kept = keep.of_series(&s.name).map_or("for ever".to_owned(), |span| span.to_string());
        let (name, rows, sealed) = (&s.name, counted(s.rows), counted(s.sealed));
        let _ = writeln!(text, "{name:<widest$}  {rows:>12} {sealed:>12} {each:>10}  {kept}");
    }
    text
}

fn as_json(config: &Config, found: &Inventory, checked: Option<&Checked>) -> Value {
    let keep: serde_json::Map<String, Value> =
        config.store.keep.iter().map(|(name, span)| (name.clone(), json!(span.as_seconds()))).collect();
    let extent = found.extent;
    let mut told = json!(found);
    told["journal"] = json!(shown_path(&config.store.path));
    told["extent"] = json!(extent.map(|e| [e.first.to_rfc3339(), e.last.to_rfc3339()]));
    told["commit_every_s"] = json!(config.store.commit_every.as_seconds());
    told["keep_s"] = Value::Object(keep);
    told["check"] = json!(checked);
    told
}

fn shown_path(path: &Path) -> String {
    path.display().to_string()
}

fn bytes(n: u64) -> String {
    match n {
        0..10_000 => format!("{} bytes", counted(n)),
        10_000..10_000_000 => format!("{:.0} kB", n as f64 / 1e3),
        _ => format!("{:.1} MB", n as f64 / 1e6),
    }
}

/// With a comma between thousands.
fn counted(n: u64) -> String {
    let digits = n.to_string();
    let mut text = String::new();
    for (i, digit) in digits.chars().enumerate() {
        if i > 0 && (digits.len() - i).is_multiple_of(3) {
            text.push(',');
        }
        text.push(digit);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn thousands_are_set_apart() {
        assert_eq!(
            [0, 999, 1000, 1_234_567].map(counted),
            ["0", "999", "1,000", "1,234,567"].map(str::to_owned)
        );
    }
}
