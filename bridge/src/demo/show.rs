//! What is seen while the demo runs.

use std::future::Future;
use std::io::{self, Write};
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

/// Real time between two pictures.
const LIVE_EVERY: Duration = Duration::from_millis(200);
const PLAIN_EVERY: Duration = Duration::from_secs(5);

/// The width of blocks of lines.
const PLAIN_COLUMNS: usize = 80;

/// Shows the home until it is over.
pub(super) async fn until(
    options: DemoOptions,
    port: u16,
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
    writeln!(io::stdout(), "{}", opening(options, port))?;
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
            let lines = scene.lines(&now(), Canvas { columns: PLAIN_COLUMNS, ascii });
            writeln!(io::stdout(), "{}\n", lines.join("\n"))?;
        },
        Show::Nothing => Ok(()),
    }
}

fn opening(options: DemoOptions, port: u16) -> String {
    let pace = match options.speed {
        1 => "in real time".to_owned(),
        speed => format!("{speed} times as fast as real time"),
    };
    let end = if options.lasts.is_some() { "" } else { " Ctrl-C ends it." };
    format!(
        "A simulated home, {pace}, with the real program and a real MQTT broker.\n\
         It switches nothing real.{end}\n\
         Listen in with any MQTT client at 127.0.0.1, port {port}; the topics are overspill/#\n\
         for what is decided and house/#, garage/#, tank/#, pond/# for the devices.\n"
    )
}
