//! A commissioning with a page: it goes on between the steps, and begins again by itself when the page corrected the home
//! file.

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::mpsc;

use super::board::Board;
use super::live::{AtThePage, CommissionError, Desk, Ended, Options, Print, run};
use super::record;
use super::show::Paper;
use crate::config::{self, Config, Look, ReadError};
use crate::daemon::HomeClock;
use crate::web::commissioning::{Door, Parts};

/// How a commissioning with a page is run.
pub struct Attended {
    /// The home file.
    pub home: PathBuf,
    /// The record.
    pub record: PathBuf,
    /// The sheet.
    pub sheet: PathBuf,
    /// Where the page is served.
    pub listen: SocketAddr,
    /// The clock.
    pub clock: HomeClock,
    /// What the terminal shows the dialogue on.
    pub paper: Paper,
    /// Where that is printed.
    pub print: Print,
    /// Lines typed at the terminal; closed where nobody types.
    pub lines: mpsc::Receiver<String>,
    /// One step only, until the page turns to another.
    pub only: Option<String>,
}

/// Serves the page and goes through the procedure until `end` completes.
///
/// # Errors
/// When the page can't be served or the procedure can't be run.
pub async fn attend(
    mut attended: Attended,
    end: impl Future<Output = ()>,
) -> Result<(Ended, Config), CommissionError> {
    tokio::pin!(end);
    let board = Arc::new(Board::new());
    let mut config = read(&attended)?;
    let parts = Parts {
        board: Arc::clone(&board),
        home: config.home.name.clone(),
        zone: config.home.timezone.clone(),
        clock: attended.clock,
        file: attended.home.file_name().unwrap_or_default().to_string_lossy().into_owned(),
        sheet: attended.sheet.clone(),
    };
    let door = Door::open(parts, attended.listen).await.map_err(CommissionError::Page)?;
    for words in door.words() {
        (attended.print)(&attended.paper.lines(&words, ""));
    }
    let done = loop {
        let Some(desk) = Desk::new(Arc::clone(&board), attended.home.clone(), attended.sheet.clone()) else {
            break Err(CommissionError::Page("two sittings can't share one page".to_owned()));
        };
        let options = Options {
            clock: attended.clock,
            paper: attended.paper,
            print: attended.print,
            installer: Box::new(AtThePage::new(desk)),
            lines: attended.lines,
            only: attended.only.take(),
            record: attended.record.clone(),
            fingerprint: fingerprint(&attended.home)?,
        };
        let ended = match run(&config, options, &mut end).await {
            Ok(ended) => ended,
            Err(why) => break Err(why),
        };
        if !ended.corrected {
            break Ok(ended);
        }
        (attended.print, attended.lines) = (ended.print, ended.lines);
        config = read(&attended)?;
    };
    board.ends();
    door.close().await;
    done.map(|ended| (ended, config))
}

fn read(attended: &Attended) -> Result<Config, CommissionError> {
    config::read(&attended.home).map_err(|why| match why {
        ReadError::Mistakes(found) => CommissionError::Page(found.render(Look::PLAIN)),
        why => CommissionError::Page(why.to_string()),
    })
}

fn fingerprint(home: &std::path::Path) -> Result<String, CommissionError> {
    let text =
        std::fs::read(home).map_err(|why| CommissionError::Page(format!("{}: {why}", home.display())))?;
    Ok(record::fingerprint(&text))
}
