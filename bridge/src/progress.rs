//! A bar for work that runs long, on a terminal only.

use std::io::IsTerminal;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Work that is done sooner shows nothing.
const SHOWN_AFTER: Duration = Duration::from_secs(1);

/// How far a long piece of work has come.
#[derive(Debug)]
pub(crate) struct Progress {
    began: Instant,
    terminal: bool,
    what: &'static str,
    total: u64,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// Nothing is shown where standard error is no terminal.
    pub(crate) fn new() -> Progress {
        let terminal = std::io::stderr().is_terminal();
        Progress { began: Instant::now(), terminal, what: "", total: 0, bar: None }
    }

    /// Shows nothing at all.
    pub(crate) fn none() -> Progress {
        Progress { terminal: false, ..Progress::new() }
    }

    /// A new stage of the work begins.
    pub(crate) fn stage(&mut self, what: &'static str, total: u64) {
        self.clear();
        (self.what, self.total) = (what, total);
    }

    /// So much of the stage is done.
    pub(crate) fn at(&mut self, done: u64) {
        if !self.terminal {
            return;
        }
        if self.bar.is_none() && self.began.elapsed() > SHOWN_AFTER {
            self.bar = Some(bar(self.what, self.total));
        }
        if let Some(bar) = &self.bar {
            bar.set_position(done.min(self.total));
        }
    }

    /// Takes the bar away.
    pub(crate) fn clear(&mut self) {
        if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
    }
}

fn bar(what: &'static str, total: u64) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr_with_hz(5));
    let style = ProgressStyle::with_template("{msg:<18} [{bar:30}] {percent:>3} %  {eta} left");
    if let Ok(style) = style {
        bar.set_style(style.progress_chars("=> "));
    }
    bar.set_message(what);
    bar
}
