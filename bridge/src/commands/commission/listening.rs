//! `overspill commission --listen`: a look through the broker, and the draft of a home file.

use std::io::{self, IsTerminal, Write};
use std::time::Duration;

use super::{Args, paper};
use crate::cli::Outcome;
use crate::commands::args::Format;
use crate::commands::opening::{complain, complain_in_full, home_file, print};
use crate::commission::listen;

/// What a daemon publishes lies below here, unless its home file says otherwise: it repeats meters and is none.
const OWN_TOPICS: &str = "overspill";

/// Listens, tells what was heard, and drafts.
pub(super) fn listening(args: &Args, lasts: Duration) -> Outcome {
    let (link, url, prefixes) = match (&args.broker, &args.home) {
        (Some(url), _) => match listen::link_to(url) {
            Ok(link) => (link, url.clone(), vec![OWN_TOPICS.to_owned()]),
            Err(why) => return complain_in_full(&why.to_string()),
        },
        (None, Some(path)) => match home_file(path) {
            Ok(config) => {
                let url = format!("mqtt://{}:{}", config.mqtt.broker.host, config.mqtt.broker.port);
                let own = vec![OWN_TOPICS.to_owned(), config.mqtt.prefix.clone()];
                (listen::link_of(&config.mqtt), url, own)
            }
            Err(outcome) => return outcome,
        },
        (None, None) => {
            return complain(
                "Nothing says which broker to listen to. Name it with --broker mqtt://HOST:PORT, or name the home file that does.",
            );
        }
    };
    let Ok(runtime) = tokio::runtime::Runtime::new() else {
        return complain("There are no threads to run on.");
    };
    let terminal = io::stderr().is_terminal();
    let each_second = |left: u64, topics: usize| {
        if terminal {
            let _ = write!(io::stderr(), "\r\u{1b}[K{left} s left, {topics} topics");
        }
    };
    let heard = runtime.block_on(listen::listen(link, lasts, &prefixes, each_second));
    if terminal {
        let _ = write!(io::stderr(), "\r\u{1b}[K");
    }
    let heard = match heard {
        Ok(heard) => heard,
        Err(why) => return complain_in_full(&why.to_string()),
    };
    let draft = listen::draft(&heard, &url);
    print(&listen::text(&heard, paper(Format::Text).columns));
    match &args.out {
        None => print(&format!("\n{draft}")),
        Some(file) => match std::fs::OpenOptions::new().write(true).create_new(true).open(file) {
            Ok(mut to) => match to.write_all(draft.as_bytes()) {
                Ok(()) => print(&format!("\nThe draft: {}\n", file.display())),
                Err(why) => return complain(&format!("{}: {why}.", file.display())),
            },
            Err(why) => return complain(&format!("{}: {why}. Nothing was written.", file.display())),
        },
    }
    Outcome::Done
}
