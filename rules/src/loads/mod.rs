//! Each load's ways: how it settles after a command, what it draws, what it has taught, what it has no appetite for.

mod appetite;
mod draw;
mod lateness;
mod learnt;
mod patience;
mod reach;
mod settling;

pub(crate) use appetite::Appetite;
pub(crate) use draw::Draws;
pub(crate) use lateness::Lateness;
pub(crate) use learnt::Learnt;
pub(crate) use patience::Patience;
pub(crate) use reach::Reach;
pub(crate) use settling::{Settling, observe};

use crate::bounds::Answer;
use crate::home::{Home, Load, LoadId};
use crate::time::{Moment, Span, WallTime};

/// Everything that is known of one load while the program runs.
#[derive(Debug, Clone)]
pub(crate) struct LoadState {
    pub(crate) id: LoadId,
    /// Set-point in watts, as last commanded.
    pub(crate) setpoint_w: f64,
    /// The whole amps of that set-point, at the volts at which it was chosen: a voltage that drifts between two
    /// refreshes must not turn 6 A into 5, which a charge point takes as a pause.
    pub(crate) setpoint_a: f64,
    pub(crate) on: bool,
    pub(crate) on_since: Option<Moment>,
    pub(crate) off_since: Option<Moment>,
    /// When the set-point last changed.
    pub(crate) commanded_at: Option<Moment>,
    pub(crate) settling: Option<Settling>,
    pub(crate) learnt: Learnt,
    /// Draw of an unmetered load that the grid's answers have confirmed, in watts.
    pub(crate) confirmed_w: f64,
    pub(crate) patience: Patience,
    pub(crate) reach: Reach,
    pub(crate) appetite: Appetite,
    pub(crate) answer: Answer,
    /// Commands are held back since then, so that the device's own time-out acts.
    pub(crate) released: Option<Moment>,
    pub(crate) plugged: Option<bool>,
    pub(crate) ready: Option<bool>,
    /// When the last command went out.
    pub(crate) sent_at: Option<Moment>,
    /// When the load was first seen to draw without being told.
    pub(crate) moved_since: Option<Moment>,
    /// Whoever moved it keeps it until then.
    pub(crate) yields_until: Option<Moment>,
    pub(crate) moved_told: bool,
    /// When it went off in an earlier run, until the wall clock is known.
    pub(crate) was_off_since: Option<WallTime>,
    /// It was on when the program last ended.
    pub(crate) was_left_on: bool,
}

impl LoadState {
    pub(crate) fn new(id: LoadId) -> LoadState {
        LoadState {
            id,
            setpoint_w: 0.0,
            setpoint_a: 0.0,
            on: false,
            on_since: None,
            off_since: None,
            commanded_at: None,
            settling: None,
            learnt: Learnt::default(),
            confirmed_w: 0.0,
            patience: Patience::default(),
            reach: Reach::default(),
            appetite: Appetite::default(),
            answer: Answer::default(),
            released: None,
            plugged: None,
            ready: None,
            sent_at: None,
            moved_since: None,
            yields_until: None,
            moved_told: false,
            was_off_since: None,
            was_left_on: false,
        }
    }

    /// Watts that the load is expected to draw at its set-point.
    pub(crate) fn expected_w(&self) -> f64 {
        self.setpoint_w * self.learnt.ratio
    }

    /// Whether it must stay off because it went off only just now; until when.
    pub(crate) fn off_until(&self, load: &Load, now: Moment) -> Option<Moment> {
        let until = self.off_since? + load.min_off;
        (!self.on && now < until).then_some(until)
    }

    /// Whether it should stay on because it came on only just now.
    pub(crate) fn inside_min_on(&self, load: &Load, now: Moment) -> bool {
        self.on && self.on_since.is_some_and(|since| now - since < load.min_on)
    }

    /// Whether the device has told that it can't take power.
    pub(crate) fn not_ready(&self) -> bool {
        self.plugged == Some(false) || self.ready == Some(false)
    }

    /// How long ago the set-point changed; very long where it never did.
    pub(crate) fn since_command(&self, now: Moment) -> Span {
        self.commanded_at.map_or(Span(i64::MAX / 4), |at| now - at)
    }
}

/// What is the same for all loads at one decision.
#[derive(Clone, Copy)]
pub(crate) struct Scene<'a> {
    pub(crate) home: &'a Home,
    pub(crate) now: Moment,
    /// Measured line to neutral volts per phase.
    pub(crate) volts: [f64; 3],
}

impl Scene<'_> {
    /// The volts that count for `load`: of its phase, or the mean of three.
    pub(crate) fn volts_of(&self, load: &Load) -> f64 {
        let range = load.phase_indices();
        let n = range.len() as f64;
        range.map(|i| self.volts[i]).sum::<f64>() / n
    }
}
