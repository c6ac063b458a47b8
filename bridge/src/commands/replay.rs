//! `overspill replay`: the recorded history drives the controller once more.

use std::path::PathBuf;

use overspill_rules::home::Home;
use overspill_rules::input::RuleSet;
use overspill_rules::script::Program;

use super::args::Format;
use super::opening::{complain, print, span};
use crate::cli::Outcome;
use crate::config::{self, Config, Look, ReadError, RulesConfig, render};
use crate::daemon::read_rules;
use crate::replay::given::{Given, PluggedHours};
use crate::replay::{self, text};
use crate::shadow::shadow_rules;
use crate::store::{StoreError, StoreReader};

/// What would have happened on recorded history, with today's rules or others
///
/// A what-if: the recorded draw of the controlled loads is taken out of the readings, and what the same controller would
/// have had them draw is put in. With --verify instead: the journal's inputs exactly as recorded must lead to every
/// recorded set-point and decision again. Ends with 0, with 1 when --verify found a difference, 2 when it could not run.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// From this date, or time with offset, on
    #[arg(long, value_name = "T")]
    from: String,
    /// Up to this time, or the end of this date
    #[arg(long, value_name = "T")]
    to: String,
    /// Another folder of rules than the home's
    #[arg(long, value_name = "DIR")]
    rules: Option<PathBuf>,
    /// The rules of this shadow, laid over the home's
    #[arg(long, value_name = "NAME", conflicts_with = "rules")]
    shadow: Option<String>,
    /// Repeat the record exactly, with the rules that were live, and compare
    #[arg(long, conflicts_with_all = ["days", "room", "plugged"])]
    verify: bool,
    /// What a load takes at most, in kWh: a charge point for each time a car is plugged in, a heater a day
    #[arg(long, value_name = "LOAD=KWH", value_parser = room)]
    room: Vec<(String, f64)>,
    /// When a car is plugged in, day by day and by the household's clock; else as it was recorded
    #[arg(long, value_name = "LOAD=FROM-TO", value_parser = plugged)]
    plugged: Vec<(String, PluggedHours)>,
    /// A line for each day too
    #[arg(long)]
    days: bool,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

fn room(text: &str) -> Result<(String, f64), String> {
    let wrong = || format!("`{text}`: write the load and its energy, such as car=12.5");
    let (load, kwh) = text.split_once('=').ok_or_else(wrong)?;
    let kwh: f64 = kwh.parse().map_err(|_| wrong())?;
    let sensible = kwh.is_finite() && (0.0..=1000.0).contains(&kwh);
    if sensible { Ok((load.to_owned(), kwh)) } else { Err(format!("{kwh} kWh is not between 0 and 1000")) }
}

fn plugged(text: &str) -> Result<(String, PluggedHours), String> {
    let (load, hours) =
        text.split_once('=').ok_or_else(|| format!("`{text}`: write car=18:00-07:30, for example"))?;
    Ok((load.to_owned(), hours.parse()?))
}

/// Runs the command; what it tells goes to the standard output, why it could not to the standard error.
pub fn run(args: &Args) -> Outcome {
    match replay(args) {
        Ok((text, outcome)) => {
            print(&text);
            outcome
        }
        Err(why) => complain(why.trim_end()),
    }
}

fn replay(args: &Args) -> Result<(String, Outcome), String> {
    let config = config::read(&args.home).map_err(|why| match why {
        ReadError::Mistakes(found) => format!("{}\nThe home file has mistakes.", found.render(Look::PLAIN)),
        other => other.to_string(),
    })?;
    let zone = &config.home.timezone;
    let span = span(&args.from, &args.to, zone)?;
    let told = |why: StoreError| why.to_string();
    let journal = StoreReader::open_read_only(&config.store.path).map_err(told)?;
    if args.verify {
        let rules =
            (args.rules.is_some() || args.shadow.is_some()).then(|| rules(&config, args)).transpose()?;
        let found = replay::verify::verify(&journal, &config.home, span, rules.as_ref()).map_err(told)?;
        let text = match args.format {
            Format::Text => text::verified(&config.home, &found),
            Format::Json => format!("{:#}\n", serde_json::json!(found)),
        };
        let outcome = if found.difference.is_some() { Outcome::No } else { Outcome::Done };
        return Ok((text, outcome));
    }
    let (rules, given) = (rules(&config, args)?, given(&config.home, args)?);
    let trial = replay::whatif::Trial { rules, given, price_files: &config.price_files };
    let found = replay::whatif::what_if(&journal, &config.home, span, trial).map_err(told)?;
    let words = format!("{} to {}", args.from, args.to);
    let text = match args.format {
        Format::Text => text::what_if(&config.home, &words, &found, args.days),
        Format::Json => format!("{:#}\n", text::what_if_json(&config.home, &found)),
    };
    Ok((text, Outcome::Done))
}

/// The rules to replay with; mistakes in them are told before hours are spent.
fn rules(config: &Config, args: &Args) -> Result<RuleSet, String> {
    if let Some(name) = &args.shadow {
        return checked(config, shadow_rules(config, name)?);
    }
    let folder = args.rules.clone().unwrap_or_else(|| config.rules.folder.clone());
    if !folder.is_dir() {
        return Err(format!("there is no folder of rules at {}", folder.display()));
    }
    checked(config, read_rules(&RulesConfig { folder, order: config.rules.order.clone() })?)
}

fn checked(config: &Config, set: RuleSet) -> Result<RuleSet, String> {
    let faults = Program::compile(&config.home, &set).faults;
    if faults.is_empty() {
        return Ok(set);
    }
    let list: Vec<String> =
        faults.iter().map(|f| render::fault(&f.to_string(), Look::PLAIN.columns)).collect();
    Err(format!("{}\n\nThe rules have mistakes.", list.join("\n\n")))
}

/// What is said about loads, each of which must be one of the home's.
fn given(home: &Home, args: &Args) -> Result<Given, String> {
    let load = |option: &str, name: &str| {
        home.load_named(name).ok_or_else(|| {
            let known: Vec<&str> = home.loads.iter().map(|l| l.id.as_str()).collect();
            format!("--{option}: this home has no load `{name}`; it has {}", known.join(", "))
        })
    };
    let mut given = Given::default();
    for (name, kwh) in &args.room {
        given.room.insert(load("room", name)?, *kwh);
    }
    for (name, hours) in &args.plugged {
        let id = load("plugged", name)?;
        if !home.load(id).is_charge_point() {
            return Err(format!("--plugged: nothing is plugged in at `{name}`; that is for charge points"));
        }
        given.plugged.insert(id, *hours);
    }
    Ok(given)
}
