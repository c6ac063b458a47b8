//! `overspill demo`: the main job in one command.

use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use super::args::{Format, duration};
use crate::cli::Outcome;
use crate::demo::{self, Closing, DemoError, DemoOptions, Show};

/// Show a whole simulated home at work: a roof, people, a car, a water tank and a pond pump
///
/// Starts a broker of its own on this computer, a simulated home that talks to it, and the daemon with three rules.
/// Nothing real is switched. Ends with 0, having told what the simulated home's own meter says.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// How many times as fast as real time, 1 to 600; 60 is an hour a minute
    #[arg(long, value_name = "N", default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..=600))]
    speed: u16,
    /// End after this much real time, such as 90s or 2m; without it Ctrl-C ends the demo
    #[arg(long = "for", value_name = "D", value_parser = duration)]
    lasts: Option<Duration>,
    /// Print a block of lines every few seconds instead of drawing in place
    #[arg(long)]
    plain: bool,
    /// How to print the closing; `json` prints nothing else
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let options = DemoOptions { speed: args.speed, lasts: args.lasts, show: show(args), listen: None };
    match at_work(options) {
        Ok(closing) => {
            let text = match args.format {
                Format::Text => format!("\n{}\n", closing.to_text()),
                Format::Json => format!("{:#}\n", closing.to_json()),
            };
            // A reader that went away, as `head` does, is no failure of the demo.
            let _ = io::stdout().write_all(text.as_bytes());
            Outcome::Done
        }
        Err(why) => {
            let _ = writeln!(io::stderr(), "The demo could not run: {why}");
            Outcome::CouldNotRun
        }
    }
}

fn at_work(options: DemoOptions) -> Result<Closing, DemoError> {
    let runtime = tokio::runtime::Runtime::new().map_err(|why| DemoError::Part(why.to_string()))?;
    runtime.block_on(demo::run(options))
}

fn show(args: &Args) -> Show {
    let set = |name: &str| std::env::var(name).ok().filter(|value| !value.is_empty());
    let dumb = set("TERM").is_some_and(|term| term == "dumb");
    let ascii = dumb || !(cfg!(windows) || is_utf8(set));
    if args.format == Format::Json {
        Show::Nothing
    } else if args.plain || dumb || set("NO_COLOR").is_some() || !io::stdout().is_terminal() {
        Show::Plain { ascii }
    } else {
        Show::Live { ascii }
    }
}

/// Whether the terminal shows more than ASCII, as the usual variables tell; the first that is set counts (POSIX).
fn is_utf8(set: impl Fn(&str) -> Option<String>) -> bool {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"].into_iter().find_map(set).unwrap_or_default().to_lowercase();
    locale.contains("utf-8") || locale.contains("utf8")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations_are_text_and_more_than_nothing() {
        assert_eq!(duration("2m"), Ok(Duration::from_secs(120)));
        assert!(duration("0s").is_err());
        assert!(duration("2 minutes").is_err());
    }

    #[test]
    fn the_first_variable_that_is_set_tells_the_letters() {
        let only = |name: &'static str, value: &'static str| {
            move |asked: &str| (asked == name).then(|| value.to_owned())
        };
        assert!(is_utf8(only("LANG", "de_DE.UTF-8")));
        assert!(is_utf8(only("LC_ALL", "C.utf8")));
        assert!(!is_utf8(only("LANG", "C")));
        assert!(!is_utf8(|_| None));
    }
}
