//! The home's clock: monotonic time for decisions, wall time beside it, and whether that can be believed.

use std::fmt;
use std::path::Path;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use overspill_rules::time::{Moment, Span, WallTime};

/// Stamps are whole multiples of this.
const GRAIN_MS: i64 = 100;

/// Monotonic time since the start, as fast as real time or faster (for the demo).
#[derive(Debug, Clone, Copy)]
pub struct HomeClock {
    started: Instant,
    speed: f64,
    /// Wall time at the start, for a clock of its own; `None` asks the system.
    own_wall: Option<WallTime>,
}

impl HomeClock {
    /// Real time.
    pub fn real() -> HomeClock {
        HomeClock { started: Instant::now(), speed: 1.0, own_wall: None }
    }

    /// A made-up time that begins at `wall` and runs `speed` times as fast as real time.
    pub fn made_up(wall: WallTime, speed: f64) -> HomeClock {
        HomeClock { started: Instant::now(), speed, own_wall: Some(wall) }
    }

    /// Now, exactly.
    pub fn exact(&self) -> Moment {
        Moment((self.started.elapsed().as_secs_f64() * 1000.0 * self.speed) as i64)
    }

    /// The stamp for something that happens now: whole tenths of a second, and never before `due`, for which the
    /// program may just have waited.
    pub fn stamp(&self, due: Moment) -> Moment {
        let now = self.exact();
        let stamp = Moment(now.0.div_euclid(GRAIN_MS) * GRAIN_MS);
        if due <= now { stamp.max(due) } else { stamp }
    }

    /// The real moment at which this clock shows `moment`.
    pub fn real_instant(&self, moment: Moment) -> Instant {
        let ms = (moment.0.max(0) as f64 / self.speed).ceil();
        self.started + std::time::Duration::from_millis(ms as u64)
    }

    /// Wall time now.
    pub fn wall(&self) -> WallTime {
        match self.own_wall {
            Some(start) => start + Span(self.exact().0),
            None => system_wall(),
        }
    }

    /// Wall time less monotonic time, in milliseconds.
    pub fn offset_ms(&self) -> i64 {
        match self.own_wall {
            Some(start) => start.0,
            None => system_wall().0 - self.exact().0,
        }
    }

    /// How much faster than real time it runs.
    pub fn speed(&self) -> f64 {
        self.speed
    }
}

fn system_wall() -> WallTime {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    WallTime(i64::try_from(since.as_millis()).unwrap_or(i64::MAX))
}

/// Why the wall clock is not believed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// It says a time before this program was built.
    BeforeBuild,
    /// It says a time before the newest entry of the journal, which is this.
    BeforeLastEntry(WallTime),
    /// The system's time service has not set it yet.
    NotSynchronised,
}

impl fmt::Display for Doubt {
    /// What is wrong and how to mend it.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Doubt::BeforeBuild => f.write_str(
                "it is before this program was built. Set the computer's clock, or let the network set it",
            ),
            Doubt::BeforeLastEntry(last) => write!(
                f,
                "the record has an entry of {}, which would be later than now. If the clock is wrong, set it. If it is \
                 right, it was wrong once and the record took that over: stop overspill, move the record (`path` in \
                 [store] of the home file) to another place, and start it again",
                last.to_rfc3339()
            ),
            Doubt::NotSynchronised => f.write_str(
                "the system's time service has not set it yet. This takes a moment after a start; if it lasts, see \
                 whether the computer reaches its time server (`timedatectl` tells)",
            ),
        }
    }
}

/// What tells whether the wall clock can be believed.
pub trait Belief: Send {
    /// Why `wall` can't be taken for the time now; `None` where it can.
    fn doubt(&self, wall: WallTime) -> Option<Doubt>;
}

/// Small computers boot in the past: the wall clock is believed once it is later than this program's build and than the
/// last entry of the journal, and, where the system tells, once it has been synchronised.
#[derive(Debug, Clone, Copy)]
pub struct SystemBelief {
    /// The newest entry of the journal.
    pub last_entry: Option<WallTime>,
}

impl Belief for SystemBelief {
    fn doubt(&self, wall: WallTime) -> Option<Doubt> {
        if wall <= built() {
            return Some(Doubt::BeforeBuild);
        }
        if let Some(last) = self.last_entry.filter(|last| wall < *last) {
            return Some(Doubt::BeforeLastEntry(last));
        }
        (synchronised() == Some(false)).then_some(Doubt::NotSynchronised)
    }
}

/// Always believes; for made-up time.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Always;

impl Belief for Always {
    fn doubt(&self, _wall: WallTime) -> Option<Doubt> {
        None
    }
}

/// When this program was built.
fn built() -> WallTime {
    let seconds: i64 = env!("OVERSPILL_BUILT").parse().unwrap_or(0);
    WallTime(seconds.saturating_mul(1000))
}

/// Whether the system's time service says that the clock is synchronised; `None` where there is none that tells.
fn synchronised() -> Option<bool> {
    let service = Path::new("/run/systemd/timesync");
    service.is_dir().then(|| service.join("synchronized").exists())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clock_before_the_last_entry_or_the_build_is_not_believed() {
        let now = system_wall();
        let last = now + Span::hours(1);
        let later = SystemBelief { last_entry: Some(last) };
        assert_eq!(later.doubt(now), Some(Doubt::BeforeLastEntry(last)));
        assert_ne!(later.doubt(last), Some(Doubt::BeforeLastEntry(last)));
        let fresh = SystemBelief { last_entry: None };
        assert_eq!(fresh.doubt(WallTime(0)), Some(Doubt::BeforeBuild), "1970");
    }

    #[test]
    fn a_doubt_says_how_to_mend_it() {
        let words = Doubt::BeforeLastEntry(WallTime(4_102_444_800_000)).to_string();
        assert!(words.contains("2100-01-01T00:00:00.000Z") && words.contains("move the record"), "{words}");
        assert!(Doubt::BeforeBuild.to_string().contains("Set the computer's clock"));
        assert!(Doubt::NotSynchronised.to_string().contains("time server"));
    }

    #[test]
    fn stamps_are_whole_tenths_and_not_before_what_was_waited_for() {
        let clock = HomeClock::made_up(WallTime(0), 1.0);
        assert_eq!(clock.stamp(Moment(0)).0 % 100, 0);
        let due = clock.exact();
        assert!(clock.stamp(due) >= due);
    }
}
