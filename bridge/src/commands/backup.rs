//! `overspill backup`: a copy of the record while the daemon writes it.

use std::path::PathBuf;

use super::opening::{complain_in_full, grouped, home_file, print};
use crate::cli::Outcome;
use crate::history::backup;
use crate::progress::Progress;

/// Copy the whole record into one file, while the daemon goes on
///
/// The copy holds everything up to the moment at which it began; it is checked before it gets its name. To restore it, stop
/// the daemon, put the copy in the place of the record (`path` under `[store]`), remove the files beside it that end in -wal
/// and -shm, and start the daemon again. Ends with 0 when the copy is there, 2 when it could not be made.
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
    /// Where the copy goes
    #[arg(value_name = "FILE")]
    file: PathBuf,
    /// Replace a file that is there
    #[arg(long)]
    force: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    let config = match home_file(&args.home) {
        Ok(config) => config,
        Err(outcome) => return outcome,
    };
    match backup(&config.store.path, &args.file, args.force, &mut Progress::new()) {
        Ok(bytes) => {
            print(&format!("{}: {} bytes, checked.\n", args.file.display(), grouped(bytes)));
            Outcome::Done
        }
        Err(why) => complain_in_full(&why.to_string()),
    }
}
