//! `overspill battery`: what a battery would have done on the recorded history.

use std::path::{Path, PathBuf};

use overspill_rules::answers::battery::EFFICIENCY;
use rust_decimal::Decimal;

use super::args::Format;
use super::opening::{complain, home_file, moment, print};
use crate::battery::wish::{Wish, efficiency, idle, power, price, reserve, size};
use crate::battery::{Asked, Told, ask, chart, json, text};
use crate::cli::Outcome;
use crate::config::Config;
use crate::store::StoreReader;

/// What a battery would have done on the recorded history, for each of several sizes
///
/// Two ways to steer it: to store what would be sent out; and, where prices change with time, also to fill when buying is
/// cheap, knowing nothing of the future but prices. What could be reached at best, with the whole future known, stands
/// beside it. Without --from and --to the last year of the record is taken. Ends with 0 when done, 2 when it could not be
/// done.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// Usable sizes in kWh
    #[arg(long, value_name = "KWH,..", value_delimiter = ',', default_value = "2.5,5,10", value_parser = size)]
    sizes: Vec<f64>,
    /// The beginning
    #[arg(long, value_name = "T")]
    from: Option<String>,
    /// The end
    #[arg(long, value_name = "T")]
    to: Option<String>,
    /// The most that goes in or out at the AC terminals, in kW; 0.5 for each kWh where not said
    #[arg(long, value_name = "P", value_parser = power)]
    power_kw: Option<f64>,
    /// How much of what goes in is stored, 0.3 to 1
    #[arg(long, value_name = "E", default_value_t = EFFICIENCY, value_parser = efficiency)]
    charge_efficiency: f64,
    /// How much of what was stored comes out, 0.3 to 1
    #[arg(long, value_name = "E", default_value_t = EFFICIENCY, value_parser = efficiency)]
    discharge_efficiency: f64,
    /// What it takes itself all the time, in W
    #[arg(long, value_name = "W", default_value_t = 0.0, value_parser = idle)]
    idle_w: f64,
    /// What is kept for a power cut, in kWh
    #[arg(long, value_name = "KWH", default_value_t = 0.0, value_parser = reserve)]
    reserve_kwh: f64,
    /// What each kWh of usable size costs, in the tariff's currency, to tell when it is paid back
    #[arg(long, value_name = "PRICE", value_parser = price)]
    price_per_kwh: Option<Decimal>,
    /// Draw what it brings against its size
    #[arg(long, value_name = "FILE.svg")]
    chart: Option<PathBuf>,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Runs the command; what it tells goes to the standard output, why it could not to the standard error.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    match answer(args, &config) {
        Ok(told) => {
            print(&told);
            Outcome::Done
        }
        Err(why) => complain(&format!("{}.", why.trim_end_matches('.'))),
    }
}

fn answer(args: &Args, config: &Config) -> Result<String, String> {
    let asked = asked(args, config)?;
    let journal = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let told = ask(&journal, config, &asked)?;
    if let Some(file) = &args.chart {
        draw(&told, file)?;
    }
    Ok(match args.format {
        Format::Text => text::told(&told, &config.home.timezone),
        Format::Json => format!("{:#}\n", json::told(&told)),
    })
}

fn asked(args: &Args, config: &Config) -> Result<Asked, String> {
    let time = |text: &Option<String>, is_end| {
        text.as_ref().map(|text| moment(text, &config.home.timezone, is_end)).transpose()
    };
    let (from, to) = (time(&args.from, false)?, time(&args.to, true)?);
    if from.zip(to).is_some_and(|(from, to)| from >= to) {
        return Err("--from must be earlier than --to".to_owned());
    }
    let wish = Wish {
        sizes: args.sizes.clone(),
        power_kw: args.power_kw,
        charge_efficiency: args.charge_efficiency,
        discharge_efficiency: args.discharge_efficiency,
        idle_w: args.idle_w,
        reserve_kwh: args.reserve_kwh,
        price_per_kwh: args.price_per_kwh,
    };
    wish.asked(from, to)
}

fn draw(told: &Told, file: &Path) -> Result<(), String> {
    std::fs::write(file, chart::svg(told))
        .map_err(|why| format!("{} can't be written: {why}", file.display()))
}
