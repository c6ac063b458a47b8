//! `overspill battery`: what a battery would have done on the recorded history.

use std::path::{Path, PathBuf};

use overspill_rules::answers::battery::{EFFICIENCY, Terms};
use rust_decimal::Decimal;

use super::args::Format;
use super::opening::{complain, home_file, moment, print};
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

/// Sizes that are tried at once.
const SIZES: usize = 20;

fn within(text: &str, least: f64, most: f64, unit: &str) -> Result<f64, String> {
    let number: f64 = text.trim().parse().map_err(|_| "that is no number".to_owned())?;
    let fits = (least..=most).contains(&number);
    if fits { Ok(number) } else { Err(format!("it must be from {least} to {most}{unit}")) }
}

fn size(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0, " kWh")
}

fn power(text: &str) -> Result<f64, String> {
    within(text, 0.01, 1000.0, " kW")
}

fn efficiency(text: &str) -> Result<f64, String> {
    within(text, 0.3, 1.0, "; 0.95 is 95 %")
}

fn idle(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0, " W")
}

fn reserve(text: &str) -> Result<f64, String> {
    within(text, 0.0, 1000.0, " kWh")
}

fn price(text: &str) -> Result<Decimal, String> {
    let price: Decimal =
        text.trim().parse().map_err(|_| "that is no amount: write it as 450.00".to_owned())?;
    let fits = price > Decimal::ZERO && price <= Decimal::from(1_000_000);
    if fits { Ok(price) } else { Err("it must be above 0 and at most 1000000".to_owned()) }
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
    let mut sizes: Vec<f64> = args.sizes.iter().copied().filter(|size| *size > 0.0).collect();
    sizes.sort_by(f64::total_cmp);
    sizes.dedup();
    if sizes.is_empty() || sizes.len() > SIZES {
        return Err(format!("--sizes takes 1 to {SIZES} sizes above 0; no battery is told in any case"));
    }
    if let Some(small) = sizes.first().filter(|size| args.reserve_kwh >= **size) {
        let reserve = args.reserve_kwh;
        return Err(format!("a battery of {small} kWh can't keep {reserve} kWh in reserve and still work"));
    }
    let terms = sizes.iter().map(|size| {
        let usual = Terms::of_size(*size);
        Terms {
            power_kw: args.power_kw.unwrap_or(usual.power_kw),
            charge_efficiency: args.charge_efficiency,
            discharge_efficiency: args.discharge_efficiency,
            idle_w: args.idle_w,
            reserve_kwh: args.reserve_kwh,
            ..usual
        }
    });
    Ok(Asked { terms: terms.collect(), power_kw: args.power_kw, price_per_kwh: args.price_per_kwh, from, to })
}

fn draw(told: &Told, file: &Path) -> Result<(), String> {
    std::fs::write(file, chart::svg(told))
        .map_err(|why| format!("{} can't be written: {why}", file.display()))
}
