//! `overspill shadow`: how candidate rules do beside the live ones; puts one in force, or takes that back.

use std::path::PathBuf;

use clap::Subcommand;

use super::args::Format;
use super::opening::{complain, home_file, local, print};
use crate::cli::Outcome;
use crate::config::{self, Config};
use crate::shadow::{self, Done, Refused};
use crate::store::{StoreError, StoreReader};
use crate::words::wrapped;

/// How candidate rules do beside the live ones; put one in force, or take that back
///
/// Shadows stand in the home file as [shadow.NAME]. The daemon runs them beside the live rules, without commanding, and
/// keeps an account of each. Ends with 0, with 1 when a promotion or its undoing is refused, 2 when it could not run.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    #[command(subcommand)]
    action: Option<Action>,
    /// How to print the table
    #[arg(long, value_enum, default_value_t = Format::Text)]
    format: Format,
}

#[derive(Debug, Subcommand)]
enum Action {
    /// Put a shadow's files in place of the live rules, in one step
    ///
    /// Its rules are checked first. What they replace is kept in a folder beside the rules; `undo` puts it back.
    Promote {
        /// The shadow
        name: String,
    },
    /// Put back what the last promotion replaced
    Undo {
        /// Also where the live rules were edited since; they are kept in a folder beside
        #[arg(long)]
        force: bool,
    },
}

/// Runs the command; what it tells goes to the standard output, why it could not to the standard error.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    match &args.action {
        None => table(&config, args.format),
        Some(Action::Promote { name }) => promote(&config, name),
        Some(Action::Undo { force }) => {
            done("Put back", shadow::undo(&config, *force, jiff::Timestamp::now()))
        }
    }
}

fn table(config: &Config, format: Format) -> Outcome {
    if config.shadows.is_empty() && format == Format::Text {
        print("This home has no shadow rules; see [shadow.NAME] of the home file.\n");
        return Outcome::Done;
    }
    let kept = match StoreReader::open_read_only(&config.store.path).and_then(|journal| journal.shadows()) {
        Err(StoreError::Missing { .. }) => Default::default(),
        Err(why) => return complain(&why.to_string()),
        Ok(kept) => kept,
    };
    let (home, standings) = (&config.home, shadow::standings(config, &kept));
    match format {
        Format::Json => print(&format!("{:#}\n", shadow::json(home, &standings))),
        Format::Text => print(&shadow::text(home, &standings, |at| local(at, &home.timezone))),
    }
    Outcome::Done
}

fn promote(config: &Config, name: &str) -> Outcome {
    if let Err(why) = shadow::named(config, name) {
        return complain(&why);
    }
    let found = config::check_shadow(config, name);
    if found.mistakes() > 0 {
        print(&format!("{}The rules of shadow {name} have mistakes; nothing was done.\n", found.to_text(80)));
        return Outcome::No;
    }
    done("Promoted", shadow::promote(config, name, jiff::Timestamp::now()))
}

fn done(what: &str, result: Result<Done, Refused>) -> Outcome {
    match result {
        Ok(done) => {
            print(&told(what, &done));
            Outcome::Done
        }
        Err(Refused::Failed(why)) => complain(&why),
        Err(refused) => {
            print(&refusal(&refused));
            Outcome::No
        }
    }
}

fn told(what: &str, done: &Done) -> String {
    let mut text = match what {
        "Promoted" => format!("Promoted: the rules of shadow {} are the live rules now.\n", done.shadow),
        _ => format!("{what}: the live rules are those from before shadow {} was promoted.\n", done.shadow),
    };
    let mut list = |word: &str, files: &[String]| {
        if !files.is_empty() {
            text.push_str(&wrapped(&format!("{word} {}", files.join(", ")), "  ", 80));
        }
    };
    list("written:", &done.written);
    list("taken out:", &done.removed);
    text.push_str(&wrapped(
        &format!("The rules from before this are kept in {}.", done.kept.display()),
        "",
        80,
    ));
    text.push_str("A running daemon takes the change up within seconds.\n");
    if what == "Promoted" {
        let rest = format!(
            "The shadow reads the same as the live rules now, so there is nothing to compare. `overspill shadow \
             HOME.toml undo` puts the former rules back, after which {} is a candidate again.",
            done.shadow
        );
        text.push_str(&wrapped(&rest, "", 80));
    }
    text
}

fn refusal(why: &Refused) -> String {
    match why {
        Refused::Same => {
            wrapped("The shadow's files read the same as the live ones already; nothing was done.", "", 80)
        }
        Refused::NothingToUndo => "There is no promotion to undo; nothing was done.\n".to_owned(),
        Refused::Edited { shadow, files } => {
            let list: String = files.iter().map(|file| format!("  {file}\n")).collect();
            let help = "With --force the rules from before the promotion are put back all the same, and those of now \
                        are kept in a folder beside.";
            format!(
                "The live rules were edited since shadow {shadow} was promoted; nothing was done.\n{list}{}",
                wrapped(help, "", 80)
            )
        }
        Refused::Failed(why) => format!("{why}\n"),
    }
}
