//! From monotonic time to the household's time, and whether that can be believed.

use crate::energy::Calendar;
use crate::time::{Moment, Span, WallTime};

/// What is known of the wall clock.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Clock {
    offset_ms: Option<i64>,
    believed: bool,
}

impl Clock {
    pub(super) fn set(&mut self, offset_ms: i64, believed: bool) {
        self.offset_ms = Some(offset_ms);
        self.believed = believed;
    }

    /// Whether the wall clock is known and can be believed.
    pub(super) fn believed(&self) -> bool {
        self.believed && self.offset_ms.is_some()
    }

    /// Wall time as far as it is known at all, for stamping what is given out.
    pub(super) fn wall(&self, at: Moment) -> Option<WallTime> {
        self.offset_ms.map(|offset| WallTime(at.0.saturating_add(offset)))
    }

    /// Wall time while it can be believed.
    pub(super) fn believed_wall(&self, at: Moment) -> Option<WallTime> {
        if self.believed { self.wall(at) } else { None }
    }

    /// The moment at which the wall clock shows `wall`.
    pub(super) fn moment(&self, wall: WallTime) -> Option<Moment> {
        self.offset_ms.map(|offset| Moment(wall.0.saturating_sub(offset)))
    }

    /// For energy rows, which need some calendar from the first sample on.
    pub(super) fn calendar(&self) -> Calendar {
        Calendar { offset_ms: self.offset_ms.unwrap_or(0), believed: self.believed() }
    }

    /// How long until the wall clock passes the next multiple of `step`.
    pub(super) fn until_next(&self, now: Moment, step: Span) -> Option<Moment> {
        let wall = self.wall(now)?;
        Some(now + Span(step.0 - wall.0.rem_euclid(step.0)))
    }
}
