//! `overspill export`: history as CSV or as plain rows of a SQLite file.

use std::fs::File;
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use clap::ValueEnum;
use overspill_rules::time::{Span, WallTime};

use super::opening::{complain_in_full, counted, home_file, print, span};
use crate::cli::Outcome;
use crate::config::Config;
use crate::history::{can_be_summed, export_energy, export_full, export_sqlite};
use crate::progress::Progress;
use crate::store::StoreReader;

/// Give history out: as CSV that can be imported again, or as plain rows of a SQLite file
///
/// CSV has a column for each point, in watts, positive as in the balance, and one for each other input, at full resolution;
/// with --every energy of each flow in kilowatt-hours instead. What was put right with `correct` is given out put right. A
/// time is RFC 3339, a local time, or a local date; a date in --to means that day's end. Ends with 0 when done, 2 when it
/// could not be done.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// The beginning
    #[arg(long, value_name = "T")]
    from: String,
    /// The end
    #[arg(long, value_name = "T")]
    to: String,
    /// Energy for each so long: 30m, 1h, 2h .. 24h (a local day); CSV only
    #[arg(long, value_name = "D", value_parser = every)]
    every: Option<Span>,
    /// What to write: CSV, or a SQLite file with the tables power, input, received, half_hour and day
    #[arg(long, value_enum, default_value_t = Format::Csv)]
    format: Format,
    /// The file to write; CSV goes to the standard output without it
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace a file that is there
    #[arg(long)]
    force: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// Text, for spreadsheets and for `overspill import`
    Csv,
    /// A SQLite file, for any SQL client
    Sqlite,
}

fn every(text: &str) -> Result<Span, String> {
    let every = Span::parse(text)?;
    match can_be_summed(every) {
        true => Ok(every),
        false => {
            Err("a day must be made of whole ones, each of whole half hours: 30m, 1h, 90m .. 24h".to_owned())
        }
    }
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    let wanted = match span(&args.from, &args.to, &config.home.timezone) {
        Ok(wanted) => wanted,
        Err(why) => return complain_in_full(&why),
    };
    match export(args, &config, wanted) {
        Ok(told) => {
            if let Some(told) = told {
                print(&told);
            }
            Outcome::Done
        }
        Err(why) => complain_in_full(&why),
    }
}

/// Gives what to tell; nothing where the output itself was printed.
fn export(args: &Args, config: &Config, span: (WallTime, WallTime)) -> Result<Option<String>, String> {
    let reader = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let mut progress = Progress::new();
    match (args.format, &args.output) {
        (Format::Sqlite, None) => Err("--format sqlite needs --output FILE".to_owned()),
        (Format::Sqlite, Some(_)) if args.every.is_some() => {
            Err("--every is for CSV; a SQLite file has the half hours and days in any case".to_owned())
        }
        (Format::Sqlite, Some(file)) => {
            let rows = into_place(file, args.force, |part| {
                export_sqlite(&reader, &config.home, span, part, &mut progress).map_err(|why| why.to_string())
            })?;
            Ok(Some(format!("{}: {} of power.\n", file.display(), counted(rows, "row"))))
        }
        (Format::Csv, None) => csv(args, config, &reader, span, &mut io::stdout().lock(), &mut progress)
            .map(|_| None)
            .or_else(|why| if why.contains("Broken pipe") { Ok(None) } else { Err(why) }),
        (Format::Csv, Some(file)) => {
            let rows = into_place(file, args.force, |part| {
                let mut out = BufWriter::new(File::create(part).map_err(|why| why.to_string())?);
                let rows = csv(args, config, &reader, span, &mut out, &mut progress)?;
                out.flush().map_err(|why| why.to_string())?;
                Ok(rows)
            })?;
            Ok(Some(format!("{}: {}.\n", file.display(), counted(rows, "row"))))
        }
    }
}

fn csv(
    args: &Args,
    config: &Config,
    reader: &StoreReader,
    span: (WallTime, WallTime),
    out: &mut impl Write,
    progress: &mut Progress,
) -> Result<u64, String> {
    let mut out = BufWriter::new(out);
    let rows = match args.every {
        Some(every) => export_energy(reader, &config.home, span, every, &mut out),
        None => export_full(reader, &config.home, span, &mut out, progress),
    };
    let rows = rows.map_err(|why| why.to_string())?;
    out.flush().map_err(|why| format!("the output can't be written ({why})"))?;
    Ok(rows)
}

/// Writes under another name first, so that an interrupted export leaves no half of a file under the right one.
pub(super) fn into_place<T>(
    file: &Path,
    force: bool,
    write: impl FnOnce(&Path) -> Result<T, String>,
) -> Result<T, String> {
    if file.exists() && !force {
        return Err(format!("{}: there is a file already; --force replaces it", file.display()));
    }
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(".part");
    let part = file.with_file_name(name);
    let _ = std::fs::remove_file(&part);
    let written = write(&part).map_err(|why| format!("{}: {why}", file.display()));
    let moved = written.and_then(|done| match std::fs::rename(&part, file) {
        Ok(()) => Ok(done),
        Err(why) => Err(format!("{}: the file can't be written ({why})", file.display())),
    });
    if moved.is_err() {
        let _ = std::fs::remove_file(&part);
    }
    moved
}
