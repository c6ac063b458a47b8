//! `overspill report`: what the readings of a span mean.

use std::path::PathBuf;

use clap::ValueEnum;
use jiff::ToSpan;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use overspill_rules::time::WallTime;

use super::export::into_place;
use super::opening::{complain, home_file, local, moment, now, print};
use crate::cli::Outcome;
use crate::config::{self, Config, Look, ReadError};
use crate::report::{Gathered, Wanted, csv, gather, html, json, text};
use crate::store::{StoreError, StoreReader};

/// What the readings of a span mean: energy, shares, peaks, cost
///
/// The last 30 days unless said otherwise. All figures are indicative, with the share of the time that readings cover. A
/// time is RFC 3339, a local time, or a local date; a date in --to means that day's end. Ends with 0 when done, 2 when it
/// could not be done.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// The beginning
    #[arg(long, value_name = "T", conflicts_with_all = ["month", "year"])]
    from: Option<String>,
    /// The end; now where it is not given
    #[arg(long, value_name = "T", requires = "from")]
    to: Option<String>,
    /// A month, such as 2026-06
    #[arg(long, value_name = "MONTH", conflicts_with = "year")]
    month: Option<String>,
    /// A year, such as 2026
    #[arg(long, value_name = "YEAR")]
    year: Option<String>,
    /// A file with another [tariff]: what the same span would have cost by it
    #[arg(long, value_name = "OTHER.toml")]
    tariff: Option<PathBuf>,
    /// How to give it: a table, JSON, CSV (a row for each day), or one HTML file to print
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
    /// The file to write; it goes to the standard output without it
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// Replace a file that is there
    #[arg(long, requires = "output")]
    force: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Format {
    /// For people
    Text,
    /// For programs
    Json,
    /// For spreadsheets
    Csv,
    /// To print or send
    Html,
}

/// A beginning and an end.
type Bounds = (WallTime, WallTime);

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    match made(args, &config) {
        Ok(report) => give(args, &report),
        Err(why) => complain(&format!("{}.", why.trim_end().trim_end_matches('.'))),
    }
}

fn give(args: &Args, report: &str) -> Outcome {
    let Some(file) = &args.output else {
        print(report);
        return Outcome::Done;
    };
    let written =
        into_place(file, args.force, |part| std::fs::write(part, report).map_err(|why| why.to_string()));
    match written {
        Ok(()) => {
            print(&format!("{}: written.\n", file.display()));
            Outcome::Done
        }
        Err(why) => complain(&format!("{}.", why.trim_end_matches('.'))),
    }
}

fn made(args: &Args, config: &Config) -> Result<String, String> {
    let told = |why: StoreError| why.to_string();
    let home = &config.home;
    let journal = StoreReader::open_read_only(&config.store.path).map_err(told)?;
    let (span, before) = span(args, &home.timezone, now())?;
    let other = args.tariff.as_ref().map(|path| config::read_tariff(path, &home.timezone)).transpose();
    let other = other.map_err(|why| match why {
        ReadError::Mistakes(found) => {
            format!("{}\nThe file of the other tariff has mistakes.", found.render(Look::PLAIN))
        }
        why => why.to_string().replace("the home file", "the file of the other tariff"),
    })?;
    let wanted = Wanted {
        home,
        span,
        keys: &config.report,
        price_files: &config.price_files,
        other: other.as_ref().map(|(tariff, files)| (tariff, files.as_slice())),
        before,
    };
    let gathered = gather(&journal, &wanted).map_err(told)?;
    if gathered
        .report
        .totals
        .import
        .or(gathered.report.totals.solar)
        .or(gathered.report.totals.house)
        .is_none()
    {
        return Err(nothing(&journal, &home.timezone, span).map_err(told)?);
    }
    Ok(shown(args.format, config, &gathered))
}

fn shown(format: Format, config: &Config, gathered: &Gathered) -> String {
    match format {
        Format::Text => text(&config.home, gathered),
        Format::Json => format!("{:#}\n", json(&config.home, gathered)),
        Format::Csv => csv(gathered),
        Format::Html => html(&config.home, gathered),
    }
}

/// Why there is nothing to report.
fn nothing(journal: &StoreReader, zone: &TimeZone, span: Bounds) -> Result<String, StoreError> {
    let asked = format!("From {} to {} nothing is known", local(span.0, zone), local(span.1, zone));
    Ok(match journal.days_known()? {
        Some((first, last)) => {
            let date = |at: WallTime| at.in_zone(zone).map_or(String::new(), |z| z.date().to_string());
            format!(
                "{asked}; the journal holds energy from {} to {}: name a time with --from and --to, --month or --year",
                date(first),
                date(last)
            )
        }
        None => format!("{asked}; the journal holds no energy yet"),
    })
}

/// The span that is asked for, and the month or year before where it is one. The future is cut off.
fn span(args: &Args, zone: &TimeZone, now: WallTime) -> Result<(Bounds, Option<Bounds>), String> {
    let day = |date: Date| {
        let start = date.to_zoned(zone.clone()).map_err(|_| format!("{date} is out of range"))?;
        Ok::<WallTime, String>(WallTime(start.timestamp().as_millisecond()))
    };
    let calendar = |first: Date, length: jiff::Span| {
        let never = |_| format!("{first} is out of range");
        let (end, before) =
            (first.checked_add(length).map_err(never)?, first.checked_sub(length).map_err(never)?);
        let (from, to) = (day(first)?, day(end)?);
        if from >= now {
            return Err(format!("{first} is still to come"));
        }
        Ok(((from, to.min(now)), Some((day(before)?, from))))
    };
    if let Some(month) = &args.month {
        let first: Date = format!("{month}-01")
            .parse()
            .map_err(|_| format!("`{month}` is no month: write it as 2026-06"))?;
        return calendar(first, 1.month());
    }
    if let Some(year) = &args.year {
        let first: Date =
            format!("{year}-01-01").parse().map_err(|_| format!("`{year}` is no year: write it as 2026"))?;
        return calendar(first, 1.year());
    }
    let from = match &args.from {
        Some(from) => moment(from, zone, false)?,
        None => {
            let today = now.in_zone(zone).ok_or("the clock of this machine is out of range")?.date();
            day(today.checked_sub(29.days()).map_err(|_| "the clock of this machine is out of range")?)?
        }
    };
    let to = args.to.as_ref().map(|to| moment(to, zone, true)).transpose()?.unwrap_or(now);
    if from >= to {
        return Err("--from must be earlier than --to".to_owned());
    }
    // What is still to come can't be covered.
    Ok(((from, if from < now { to.min(now) } else { to }), None))
}
