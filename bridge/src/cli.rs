//! The command line.

use std::process::ExitCode;

use clap::{Parser, Subcommand};

use crate::commands::{
    backup, battery, check, commission, correct, demo, export, import, journal, meter_book, password, replay,
    report, run, shadow, test, why,
};

/// Spare solar power, seen, explained and used by the household's own rules.
#[derive(Debug, Parser)]
#[command(name = "overspill", version, arg_required_else_help = true, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Check(check::Args),
    Test(test::Args),
    Run(run::Args),
    Demo(demo::Args),
    Journal(journal::Args),
    Import(import::Args),
    Export(export::Args),
    Correct(correct::Args),
    MeterBook(meter_book::Args),
    Backup(backup::Args),
    Battery(battery::Args),
    Replay(replay::Args),
    Report(report::Args),
    Why(why::Args),
    Shadow(shadow::Args),
    Commission(commission::Args),
    Password(password::Args),
}

/// How a command ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done: 0.
    Done,
    /// The answer is no: 1.
    No,
    /// It could not run: 2.
    CouldNotRun,
    /// No test was found: 3.
    NoTest,
}

impl From<Outcome> for ExitCode {
    fn from(outcome: Outcome) -> ExitCode {
        match outcome {
            Outcome::Done => ExitCode::from(0),
            Outcome::No => ExitCode::from(1),
            Outcome::CouldNotRun => ExitCode::from(2),
            Outcome::NoTest => ExitCode::from(3),
        }
    }
}

/// Reads the command line, runs the command, and tells the system how it ended. A command line that can't be read ends
/// with 2, as what could not run.
pub fn main() -> ExitCode {
    match Cli::parse().command {
        Command::Check(args) => check::run(&args).into(),
        Command::Test(args) => test::run(&args).into(),
        Command::Run(args) => run::run(&args).into(),
        Command::Demo(args) => demo::run(&args).into(),
        Command::Journal(args) => journal::run(&args).into(),
        Command::Import(args) => import::run(&args).into(),
        Command::Export(args) => export::run(&args).into(),
        Command::Correct(args) => correct::run(&args).into(),
        Command::MeterBook(args) => meter_book::run(&args).into(),
        Command::Backup(args) => backup::run(&args).into(),
        Command::Battery(args) => battery::run(&args).into(),
        Command::Replay(args) => replay::run(&args).into(),
        Command::Report(args) => report::run(&args).into(),
        Command::Why(args) => why::run(&args).into(),
        Command::Shadow(args) => shadow::run(&args).into(),
        Command::Commission(args) => commission::run(&args).into(),
        Command::Password(args) => password::run(&args).into(),
    }
}

#[cfg(test)]
mod tests {
    use clap::CommandFactory;

    use super::*;

    #[test]
    fn the_command_line_is_sound() {
        Cli::command().debug_assert();
    }
}
