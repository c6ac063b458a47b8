//! `overspill meter-book`: readings of the billing meter, held against the clamps.

use std::path::PathBuf;

use clap::Subcommand;
use jiff::tz::TimeZone;
use overspill_rules::answers::meter_book::{Backwards, Register};
use overspill_rules::time::WallTime;

use super::args::Format;
use super::opening::{complain_in_full, home_file, local, moment, now, print};
use crate::cli::Outcome;
use crate::config::Config;
use crate::meter_book::{fits, json, read, told};
use crate::store::{MeterReading, PastStore, StoreReader};

/// Hold the clamps against the billing meter
///
/// Without a word after the home file: shows the readings that were entered, what passed between them by the meter and by
/// the clamps, and whether they agree within what a meter of class B and clamps of class 1 may be wrong by. A factor is
/// offered only after enough energy. Works while the daemon runs. Ends with 0, with 1 when the clamps do not agree, and
/// with 2 when it could not be done.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    #[command(subcommand)]
    entry: Option<Entry>,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Subcommand)]
enum Entry {
    /// Enter what the meter shows
    Enter {
        /// import, export or generation
        #[arg(value_parser = register)]
        register: Register,
        /// What it shows, in kWh, with the digits after the point as they stand there
        #[arg(value_name = "KWH", value_parser = kwh)]
        kwh: String,
        /// When it was read; now where not said
        #[arg(long, value_name = "T")]
        at: Option<String>,
        /// Digits before the point, so that a roll-over is known as one
        #[arg(long, value_name = "N", value_parser = clap::value_parser!(u8).range(3..=9))]
        digits: Option<u8>,
        /// The first reading of a new meter
        #[arg(long)]
        new_meter: bool,
        /// Who read it; else the user's name on this computer
        #[arg(long, value_name = "NAME")]
        by: Option<String>,
    },
    /// Strike a reading out
    Strike {
        /// import, export or generation
        #[arg(value_parser = register)]
        register: Register,
        /// When it was read, as the book shows it
        #[arg(long, value_name = "T")]
        at: String,
    },
}

fn register(word: &str) -> Result<Register, String> {
    Register::named(word).ok_or_else(|| "write import, export or generation".to_owned())
}

/// The text as it stands on the meter: digits, and at most three after the point.
fn kwh(text: &str) -> Result<String, String> {
    let (whole, after) = text.split_once('.').unwrap_or((text, "0"));
    let digits = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    if digits(whole) && digits(after) && whole.len() <= 9 && after.len() <= 3 {
        return Ok(text.to_owned());
    }
    Err("write the kilowatt-hours as they stand on the meter, such as 12345.6, with at most three digits after the \
         point"
        .to_owned())
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    let done = match &args.entry {
        None => show(args, &config),
        Some(entry) => write(entry, &config),
    };
    done.unwrap_or_else(|why| complain_in_full(&why))
}

fn show(args: &Args, config: &Config) -> Result<Outcome, String> {
    let journal = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let book = read(&journal, &config.home).map_err(|why| why.to_string())?;
    print(&match args.format {
        Format::Text => told(&config.home, &book, &args.home.display().to_string()),
        Format::Json => format!("{:#}\n", json(&book)),
    });
    let agrees = book.pages.iter().filter_map(|page| page.all).all(|all| !all.disagrees());
    Ok(if agrees { Outcome::Done } else { Outcome::No })
}

fn write(entry: &Entry, config: &Config) -> Result<Outcome, String> {
    let (home, zone) = (&config.home, &config.home.timezone);
    let mut store = PastStore::open(&config.store.path, home).map_err(|why| why.to_string())?;
    match entry {
        Entry::Enter { register, kwh, at, digits, new_meter, by } => {
            let at = at.as_ref().map_or(Ok(now()), |text| moment(text, zone, false))?;
            if at > now() {
                return Err("that time is still to come".to_owned());
            }
            let by = super::opening::person(by.as_deref(), "read it")?;
            let kwh = kwh.clone();
            let reading =
                MeterReading { register: *register, at, kwh, digits: *digits, new_meter: *new_meter, by };
            let journal = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
            let before = journal.meter_readings(*register).map_err(|why| why.to_string())?;
            fits(&before, &reading).map_err(|wrong| backwards(&wrong, zone))?;
            store.enter_reading(&reading, now()).map_err(|why| why.to_string())?;
            print(&format!("Entered: {} {} kWh, {}.\n", register.word(), reading.kwh, local(at, zone)));
        }
        Entry::Strike { register, at } => {
            let at = known(&config.store.path, *register, at, zone)?;
            store.strike_reading(*register, at).map_err(|why| why.to_string())?;
            print(&format!("Struck out: {} of {}.\n", register.word(), local(at, zone)));
        }
    }
    Ok(Outcome::Done)
}

/// The moment of a reading in the book, which is shown to the minute.
fn known(
    store: &std::path::Path,
    register: Register,
    text: &str,
    zone: &TimeZone,
) -> Result<WallTime, String> {
    let at = moment(text, zone, false)?;
    let journal = StoreReader::open_read_only(store).map_err(|why| why.to_string())?;
    let readings = journal.meter_readings(register).map_err(|why| why.to_string())?;
    let minute = |at: WallTime| at.0.div_euclid(60_000);
    readings
        .iter()
        .map(|r| r.at)
        .find(|known| minute(*known) == minute(at))
        .ok_or_else(|| format!("the book has no reading of {} at {}", register.word(), local(at, zone)))
}

fn backwards(wrong: &Backwards, zone: &TimeZone) -> String {
    let Backwards { from, to } = wrong;
    format!(
        "{} kWh on {} after {} kWh on {}: a register does not go back. Look at the digits again; for a new meter add \
         --new-meter; for a register that began again from 0 say with --digits how many it has before the point",
        to.kwh,
        local(to.at, zone),
        from.kwh,
        local(from.at, zone)
    )
}
