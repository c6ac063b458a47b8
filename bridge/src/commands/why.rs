//! `overspill why`: why a load does what it does.

use std::path::PathBuf;

use super::args::Format;
use super::opening::{complain, moment, print};
use crate::cli::Outcome;
use crate::config::{self, Look, ReadError};
use crate::store::StoreReader;
use crate::why::{text, why};

/// Why a load does what it does, now or at a time
///
/// A sentence first, then what led to it: readings, what each rule asked, what held the load, what changed last. Works
/// while the daemon runs. Ends with 0, or with 2 when there is no answer.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// The load, as the home file names it
    load: String,
    /// At this time, local or with an offset; else at the end of the record
    #[arg(long, value_name = "T")]
    at: Option<String>,
    /// Also the smallest change of spare power that would have started or stopped it
    #[arg(long)]
    not: bool,
    /// How to print it
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Runs the command; what it tells goes to the standard output, why it could not to the standard error.
pub fn run(args: &Args) -> Outcome {
    match answer(args) {
        Ok(text) => {
            print(&text);
            Outcome::Done
        }
        Err(why) => complain(why.trim_end()),
    }
}

fn answer(args: &Args) -> Result<String, String> {
    let config = config::read(&args.home).map_err(|why| match why {
        ReadError::Mistakes(found) => format!("{}\nThe home file has mistakes.", found.render(Look::PLAIN)),
        other => other.to_string(),
    })?;
    let home = &config.home;
    let load = home.load_named(&args.load).ok_or_else(|| {
        let known: Vec<&str> = home.loads.iter().map(|l| l.id.as_str()).collect();
        format!("this home has no load `{}`; it has {}", args.load, known.join(", "))
    })?;
    let at = args.at.as_ref().map(|text| moment(text, &home.timezone, false)).transpose()?;
    let journal = StoreReader::open_read_only(&config.store.path).map_err(|why| why.to_string())?;
    let answer = why(&journal, home, load, at, args.not).map_err(|why| why.to_string())?;
    Ok(match args.format {
        Format::Text => text::answer(home, &answer),
        Format::Json => format!("{:#}\n", text::answer_json(home, &answer)),
    })
}
