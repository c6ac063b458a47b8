//! How far a long replay has come, on a terminal.

use std::io::IsTerminal;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use overspill_rules::time::WallTime;

/// Inputs between two looks at the clock: drawing must cost nothing.
const LOOK_EVERY: u32 = 1024;

/// A bar on the standard error while that is a terminal; nothing else.
#[derive(Debug)]
pub struct Progress {
    bar: ProgressBar,
    from: WallTime,
    seen: u32,
}

impl Progress {
    /// A bar for the time from `from` to `to`.
    pub fn new(from: WallTime, to: WallTime) -> Progress {
        let length = u64::try_from((to - from).0).unwrap_or(0);
        let bar = if std::io::stderr().is_terminal() {
            ProgressBar::with_draw_target(Some(length), ProgressDrawTarget::stderr())
        } else {
            ProgressBar::hidden()
        };
        if let Ok(style) = ProgressStyle::with_template("{bar:40} {percent:>3} %  {msg}  {eta} left") {
            bar.set_style(style);
        }
        Progress { bar, from, seen: 0 }
    }

    /// The replay has come to `at`.
    pub fn at(&mut self, at: WallTime) {
        self.seen = self.seen.wrapping_add(1);
        if self.seen.is_multiple_of(LOOK_EVERY) {
            self.bar.set_position(u64::try_from((at - self.from).0).unwrap_or(0));
            self.bar.set_message(at.to_rfc3339().get(..10).unwrap_or_default().to_owned());
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}
