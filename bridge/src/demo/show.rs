//! What is seen while the demo runs.

use std::future::Future;
use std::io::{self, IsTerminal, Write};
use std::net::SocketAddr;
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::interval;

use super::DemoOptions;
use crate::daemon::{Facts, HomeClock};
use crate::view::{Canvas, Scene, Screen};

/// What is shown.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Show {
    /// A picture that is drawn again in place.
    Live {
        /// Only signs that every terminal has.
        ascii: bool,
    },
    /// One block of lines every few seconds.
    Plain {
        /// Only signs that every terminal has.
        ascii: bool,
    },
    /// Nothing.
    Nothing,
}

/// Where the demo can be reached.
#[derive(Debug, Clone, Copy)]
pub struct Addresses {
    /// Port of the broker, on this computer.
    pub broker: u16,
    /// The page, where there is one.
    pub page: Option<SocketAddr>,
}

/// Real time between two pictures.
const LIVE_EVERY: Duration = Duration::from_millis(200);
const PLAIN_EVERY: Duration = Duration::from_secs(5);

/// The width of blocks of lines where there is no terminal.
const PLAIN_COLUMNS: usize = 80;

/// Shows the home until it is over, or until nobody reads it any more, as when `head` has what it wants.
pub(super) async fn until(
    options: DemoOptions,
    at: Addresses,
    clock: HomeClock,
    scene: &Scene,
    facts: watch::Receiver<Facts>,
    over: impl Future<Output = ()>,
) -> io::Result<()> {
    match show(options, at, clock, scene, facts, over).await {
        Err(why) if why.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        shown => shown,
    }
}

async fn show(
    options: DemoOptions,
    at: Addresses,
    clock: HomeClock,
    scene: &Scene,
    facts: watch::Receiver<Facts>,
    over: impl Future<Output = ()>,
) -> io::Result<()> {
    tokio::pin!(over);
    if options.show == Show::Nothing {
        over.await;
        return Ok(());
    }
    writeln!(io::stdout(), "{}", opening(options, at))?;
    let now = || Facts { wall: Some(clock.wall()), ..facts.borrow().clone() };
    match options.show {
        Show::Live { ascii } => {
            let mut screen = Screen::new()?;
            let mut tick = interval(LIVE_EVERY);
            loop {
                let canvas = Canvas { columns: screen.columns(), ascii };
                screen.draw(&scene.lines(&now(), canvas))?;
                tokio::select! {
                    () = &mut over => return Ok(()),
                    _ = tick.tick() => {}
                }
            }
        }
        Show::Plain { ascii } => loop {
            tokio::select! {
                () = &mut over => return Ok(()),
                () = tokio::time::sleep(PLAIN_EVERY) => {}
            }
            let lines = scene.lines(&now(), Canvas { columns: plain_columns(), ascii });
            writeln!(io::stdout(), "{}\n", lines.join("\n"))?;
        },
        Show::Nothing => Ok(()),
    }
}

fn plain_columns() -> usize {
    let terminal = io::stdout().is_terminal().then(crossterm::terminal::size);
    terminal.and_then(Result::ok).map_or(PLAIN_COLUMNS, |(columns, _)| usize::from(columns))
}

fn opening(options: DemoOptions, at: Addresses) -> String {
    let pace = match options.speed {
        1 => "in real time".to_owned(),
        speed => format!("{speed} times as fast as real time"),
    };
    let end = if options.lasts.is_some() { "" } else { " Ctrl-C ends it." };
    let port = at.broker;
    let page = at.page.map(|page| format!("Look at it in a browser: http://{page}/\n")).unwrap_or_default();
    format!(
        "A simulated home, {pace}.\n\
         {page}\
         The program and its MQTT broker are real; nothing real is switched.{end}\n\
         Listen in with any MQTT client: 127.0.0.1, port {port}, topic overspill/#\n"
    )
}
