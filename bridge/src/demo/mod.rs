//! `overspill demo`: a whole simulated home over a real broker.
//!
//! The daemon is the one of `overspill run`. The home's devices are simulated, but they talk MQTT from a connection of
//! their own and know nothing of the daemon; what was caught is told by their meter. Nothing real is switched.

mod closing;
mod devices;
mod files;
mod show;

use std::io;
use std::net::SocketAddr;
use std::time::Duration;

use overspill_rules::house::SimulatedHome;
use overspill_rules::time::{Span, WallTime};
use thiserror::Error;
use tokio::sync::{oneshot, watch};
use tokio::task::{JoinError, JoinHandle};

pub use closing::Closing;
pub use show::{Addresses, Show};

use crate::broker::{Broker, BrokerConfig, BrokerError};
use crate::config::WebConfig;
use crate::daemon::{self, Facts, HomeClock, RunError, RunOptions};
use crate::view::Scene;

/// The demo begins here: 18 June 2026, 10:40 in London. A fixed summer day, late enough that power is spare.
const BEGINS: WallTime = WallTime(1_781_775_600_000);

/// How often the next free address is tried for the page.
const PAGE_PORTS: u16 = 20;

/// A day with sun, clouds, a kettle and a shower in its first hour.
const SEED: u64 = 11;

/// There is no other instance to listen for on a broker of its own.
const LISTEN_FOR: Span = Span(100);

/// The page is there within this time, or there is none.
const PAGE_WITHIN: Duration = Duration::from_secs(5);

/// How often the daemon is looked at, whether it still runs.
const LOOK_EVERY: Duration = Duration::from_millis(200);

/// How the demo is run.
#[derive(Debug, Clone, Copy)]
pub struct DemoOptions {
    /// How many times as fast as real time, 1 to 600.
    pub speed: u16,
    /// Ends after this much real time; at Ctrl-C where there is none.
    pub lasts: Option<Duration>,
    /// What is shown meanwhile.
    pub show: Show,
    /// Where the page is served; the usual address, or the next that is free, where there is none.
    pub listen: Option<SocketAddr>,
}

/// Why the demo could not run.
#[derive(Debug, Error)]
pub enum DemoError {
    /// The folder for its files.
    #[error("the demo's files can't be written to the folder for temporary files: {0}")]
    Files(#[source] io::Error),
    /// What is shown.
    #[error("the terminal can't be written to: {0}")]
    Shown(#[source] io::Error),
    /// The broker.
    #[error("{0}")]
    Broker(#[from] BrokerError),
    /// The home file that comes with the program.
    #[error("the demo's own home file is not good; this is a fault of Overspill\n{0}")]
    HomeFile(String),
    /// The daemon.
    #[error("{0}")]
    Daemon(#[from] RunError),
    /// The link of the simulated devices.
    #[error("the simulated home can't reach the demo's broker: {0}")]
    Link(#[from] crate::mqtt::LinkError),
    /// A part of the demo failed.
    #[error("a part of the demo ended by a fault of Overspill: {0}")]
    Part(String),
}

/// Runs the demo and tells what the simulated home's own meter says at its end.
///
/// # Errors
/// When it can't begin, or a part of it ends before its time.
pub async fn run(options: DemoOptions) -> Result<Closing, DemoError> {
    run_and_tell(options, None).await
}

/// The same, and tells where it can be reached once it can.
///
/// # Errors
/// As [`run`].
pub async fn run_and_tell(
    options: DemoOptions,
    tell: Option<oneshot::Sender<Addresses>>,
) -> Result<Closing, DemoError> {
    let folder = tempfile::Builder::new().prefix("overspill-demo-").tempdir().map_err(DemoError::Files)?;
    let broker = Broker::start(BrokerConfig::on_loopback(0)).await?;
    let port = broker.addr().port();
    let mut config = files::set_up(folder.path(), port)?;
    config.web = WebConfig { listen: options.listen.or_else(free_address), ..WebConfig::default() };
    let scene = Scene::new(&config.home);
    let (facts_in, facts) = watch::channel(Facts::new(&config.home));
    let clock = HomeClock::made_up(BEGINS, f64::from(options.speed));

    let (end_devices, devices_end) = watch::channel(());
    let devices = devices::start(SimulatedHome::new(SEED, BEGINS), clock, port, devices_end)?;
    let (end_daemon, daemon_ends) = watch::channel(());
    let (tell_page, page_told) = oneshot::channel();
    let run_options = RunOptions {
        page: Some(tell_page),
        clock,
        made_up: true,
        listen_for: LISTEN_FOR,
        facts: Some(facts_in),
        ..RunOptions::default()
    };
    let daemon = tokio::spawn(daemon::run(config, run_options, told_to_end(daemon_ends)));

    let page = tokio::time::timeout(PAGE_WITHIN, page_told).await.ok().and_then(Result::ok);
    let at = Addresses { broker: port, page };
    // Whoever wanted to know may have gone.
    let _ = tell.map(|tell| tell.send(at));
    let shown = show::until(options, at, clock, &scene, facts, over(options.lasts, &daemon)).await;
    // The devices last longer than the daemon, so that they hear its last commands.
    drop(end_daemon);
    let daemon_ended = daemon.await;
    drop(end_devices);
    let devices_ended = devices.await;
    broker.stop().await;
    daemon_ended.map_err(part)??;
    let (ledger, ended) = devices_ended.map_err(part)?;
    shown.map_err(DemoError::Shown)?;
    Ok(Closing { began: BEGINS, ended, speed: options.speed, ledger })
}

/// The usual address of the page, or the next one that is free on this computer.
fn free_address() -> Option<SocketAddr> {
    let usual = WebConfig::default().listen?;
    let mut ports = (0..PAGE_PORTS).map(|n| SocketAddr::new(usual.ip(), usual.port() + n));
    ports.find(|address| std::net::TcpListener::bind(address).is_ok())
}

fn part(why: JoinError) -> DemoError {
    DemoError::Part(why.to_string())
}

/// Completes when the other end is dropped.
async fn told_to_end(mut end: watch::Receiver<()>) {
    while end.changed().await.is_ok() {}
}

type Daemon = JoinHandle<Result<(), RunError>>;

/// Completes when the time is over, a person or the system ends the program, or the daemon has ended by itself.
async fn over(lasts: Option<Duration>, daemon: &Daemon) {
    let time = async {
        match lasts {
            Some(lasts) => tokio::time::sleep(lasts).await,
            None => std::future::pending().await,
        }
    };
    let gone = async {
        while !daemon.is_finished() {
            tokio::time::sleep(LOOK_EVERY).await;
        }
    };
    tokio::select! {
        () = time => {}
        () = interrupted() => {}
        () = gone => {}
    }
}

/// Ctrl-C, or the system's wish that the program ends.
async fn interrupted() {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        if let Ok(mut terminate) = signal(SignalKind::terminate()) {
            tokio::select! {
                _ = terminate.recv() => return,
                _ = tokio::signal::ctrl_c() => return,
            }
        }
    }
    let _ = tokio::signal::ctrl_c().await;
}
