//! How far a long replay has come, on a terminal.

use overspill_rules::time::WallTime;

use crate::progress::Progress as Bar;

/// Inputs between two looks at the clock: drawing must cost nothing.
const LOOK_EVERY: u32 = 1024;

/// A bar on the standard error while that is a terminal; nothing else.
#[derive(Debug)]
pub struct Progress {
    bar: Bar,
    from: WallTime,
    seen: u32,
}

impl Progress {
    /// A bar for the time from `from` to `to`.
    pub fn new(from: WallTime, to: WallTime) -> Progress {
        let mut bar = Bar::new();
        bar.stage("replaying", u64::try_from((to - from).0).unwrap_or(0));
        Progress { bar, from, seen: 0 }
    }

    /// The replay has come to `at`.
    pub fn at(&mut self, at: WallTime) {
        self.seen = self.seen.wrapping_add(1);
        if self.seen.is_multiple_of(LOOK_EVERY) {
            self.bar.at(u64::try_from((at - self.from).0).unwrap_or(0));
        }
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.bar.clear();
    }
}
