//! `overspill run`: the daemon.

use std::io::IsTerminal;
use std::path::PathBuf;

use tracing_subscriber::EnvFilter;

use crate::cli::Outcome;
use crate::config::{self, Look, ReadError};
use crate::daemon::{self, RunOptions};

/// Run the daemon: listen, decide, drive the loads
///
/// Ends on Ctrl-C or SIGTERM: every load gets its fallback first. Ends with 0 then, and with 2 when it could not run.
/// RUST_LOG sets how much is logged (default: info).
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The home file
    #[arg(value_name = "HOME.toml")]
    home: PathBuf,
}

/// Runs the command.
pub fn run(args: &Args) -> Outcome {
    start_log();
    let config = match config::read(&args.home) {
        Ok(config) => config,
        Err(ReadError::Mistakes(found)) => {
            return fail(&format!(
                "{}\nThe home file has mistakes; nothing was started.",
                found.render(Look::PLAIN)
            ));
        }
        Err(why) => return fail(&why.to_string()),
    };
    for warning in config.warnings.list() {
        tracing::warn!("{}", warning.message);
    }
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(why) => return fail(&format!("the system gives no threads to run on: {why}")),
    };
    let name = config.home.name.clone();
    let result = runtime.block_on(async {
        tracing::info!("Overspill {} runs {name}.", env!("CARGO_PKG_VERSION"));
        daemon::run(config, RunOptions::default(), asked_to_end()).await
    });
    match result {
        Ok(()) => Outcome::Done,
        Err(why) => fail(&why.to_string()),
    }
}

fn fail(why: &str) -> Outcome {
    use std::io::Write;
    let _ = writeln!(std::io::stderr(), "{why}");
    Outcome::CouldNotRun
}

fn start_log() {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new("warn,overspill=info"));
    let colours =
        std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_ansi(colours).with_target(false);
    // A test may have set one up already.
    let _ = log.with_writer(std::io::stderr).try_init();
}

/// Completes on Ctrl-C, and on SIGTERM where the system has it.
pub(crate) async fn asked_to_end() {
    let interrupt = tokio::signal::ctrl_c();
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let Ok(mut terminate) = signal(SignalKind::terminate()) else {
            let _ = interrupt.await;
            return;
        };
        tokio::select! {
            _ = interrupt => {}
            _ = terminate.recv() => {}
        }
    }
    #[cfg(not(unix))]
    {
        let _ = interrupt.await;
    }
}
