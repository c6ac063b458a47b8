//! Whether a load takes what it is offered. One that takes nothing passes its share on and is tried again later.

use crate::limits;
use crate::time::{Moment, Span};

/// A load's appetite.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Appetite {
    /// It has been offered power and taken nothing since then.
    nothing_since: Option<Moment>,
    /// It passed its share on and is tried again then.
    pub(crate) try_at: Option<Moment>,
    tries: u32,
}

impl Appetite {
    /// It draws: all is well.
    pub(crate) fn draws(&mut self) {
        *self = Appetite::default();
    }

    /// It is on and draws nothing. `true` once that has lasted for `settle` and a minute.
    pub(crate) fn takes_nothing(&mut self, now: Moment, settle: Span) -> bool {
        let since = *self.nothing_since.get_or_insert(now);
        now - since >= settle + limits::TAKES_NOTHING_AFTER
    }

    /// It went off for want of appetite: when to try again, later each time.
    pub(crate) fn pass_on(&mut self, now: Moment) {
        let doubled = 1_i64 << self.tries.min(6);
        let wait = Span(limits::TRY_AGAIN_AFTER.0 * doubled).min(limits::TRY_AGAIN_AT_MOST);
        self.tries += 1;
        self.nothing_since = None;
        self.try_at = Some(now + wait);
    }

    /// Whether it has to wait for its next try.
    pub(crate) fn waits(&self, now: Moment) -> bool {
        self.try_at.is_some_and(|at| now < at)
    }

    /// It went off for another reason: the time counts afresh at its next start.
    pub(crate) fn went_off(&mut self) {
        self.nothing_since = None;
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn tries_come_after_ten_minutes_doubling_to_an_hour() {
        let mut appetite = Appetite::default();
        let mut waits = Vec::new();
        for _ in 0..5 {
            appetite.pass_on(Moment(0));
            waits.push(appetite.try_at.unwrap().0 / 60_000);
        }
        assert_eq!(waits, [10, 20, 40, 60, 60]);
        appetite.draws();
        assert_eq!(appetite, Appetite::default());
    }

    #[test]
    fn nothing_means_nothing_for_settle_and_a_minute() {
        let mut appetite = Appetite::default();
        let settle = Span::seconds(30);
        assert!(!appetite.takes_nothing(Moment(0), settle));
        assert!(!appetite.takes_nothing(Moment(89_900), settle));
        assert!(appetite.takes_nothing(Moment(90_000), settle));
    }
}
