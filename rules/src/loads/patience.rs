//! The waits of one load: before a start, before a stop, before a raise.

use crate::time::{Moment, Span};

/// The waits of one load that takes spare power.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Patience {
    /// The floor has fitted at every reading since then.
    pub(crate) fits_since: Option<Moment>,
    /// The floor has not fitted since then.
    pub(crate) below_since: Option<Moment>,
    /// Energy bought below the floor, in watt-seconds.
    bought_ws: f64,
    /// When the bought energy was last added up.
    bought_at: Option<Moment>,
    /// A raise in waiting.
    pub(crate) raise: Option<Raise>,
}

/// A raise in waiting: room was seen at every reading since then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Raise {
    /// Since when there was room.
    pub(crate) since: Moment,
    /// The least set-point that fitted, in watts.
    pub(crate) least_w: f64,
    /// Readings with room so far.
    pub(crate) readings: u32,
}

impl Patience {
    /// The floor fits: the wait for a stop is over.
    pub(crate) fn fits(&mut self) {
        self.below_since = None;
        self.bought_ws = 0.0;
        self.bought_at = None;
    }

    /// The floor does not fit and `missing_w` is bought. Returns how long that has lasted.
    pub(crate) fn below(&mut self, now: Moment, missing_w: f64) -> Span {
        let since = *self.below_since.get_or_insert(now);
        if let Some(then) = self.bought_at.replace(now) {
            self.bought_ws += missing_w.max(0.0) * now.seconds_since(then);
        }
        now - since
    }

    /// Energy bought below the floor, in watt-seconds.
    pub(crate) fn bought_ws(&self) -> f64 {
        self.bought_ws
    }

    /// There is room for a raise to `watts`. The least that fitted once the wait is over.
    pub(crate) fn room(
        &mut self,
        now: Moment,
        watts: f64,
        new_reading: bool,
        wait: Span,
        readings: u32,
    ) -> Option<f64> {
        let raise = self.raise.get_or_insert(Raise { since: now, least_w: watts, readings: 0 });
        raise.least_w = raise.least_w.min(watts);
        raise.readings += u32::from(new_reading);
        let done = now - raise.since >= wait && raise.readings >= readings;
        let least = raise.least_w;
        if done {
            self.raise = None;
        }
        done.then_some(least)
    }

    /// There is no room for a raise.
    pub(crate) fn no_room(&mut self) {
        self.raise = None;
    }

    /// The load was switched: every wait counts afresh.
    pub(crate) fn switched(&mut self) {
        *self = Patience::default();
    }
}
