//! How far an unmetered load followed. One that did not answer a raise is held where it last followed and tried again.

use crate::limits;
use crate::time::{Moment, Span};

/// Where an unmetered load is held: it limits itself, or something hid its answer.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Reach {
    held: Option<Held>,
    tries: u32,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Held {
    /// The greatest set-point that it followed, in watts.
    at_w: f64,
    until: Moment,
}

impl Reach {
    /// A raise from `at_w` was not answered: how far it may go until the next try, which comes later each time.
    pub(crate) fn not_followed(&mut self, now: Moment, at_w: f64) {
        let doubled = 1_i64 << self.tries.min(6);
        let wait = Span(limits::RAISE_AGAIN_AFTER.0 * doubled).min(limits::TRY_AGAIN_AT_MOST);
        self.tries += 1;
        self.held = Some(Held { at_w, until: now + wait });
    }

    /// It followed a raise to `setpoint_w`. Only one beyond where it was held says that it is held no longer.
    pub(crate) fn followed(&mut self, setpoint_w: f64) {
        if self.held.is_some_and(|h| setpoint_w > h.at_w) {
            *self = Reach::default();
        }
    }

    /// The most that it may be set to at `now`, in watts, and until when.
    pub(crate) fn most_w(&self, now: Moment) -> Option<(f64, Moment)> {
        self.held.filter(|h| now < h.until).map(|h| (h.at_w, h.until))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_load_is_held_for_a_minute_doubling_to_an_hour() {
        let mut reach = Reach::default();
        let mut waits = Vec::new();
        for _ in 0..8 {
            reach.not_followed(Moment(0), 2300.0);
            waits.extend(reach.most_w(Moment(0)).map(|(w, until)| (w, until.0 / 60_000)));
        }
        assert_eq!(waits.iter().map(|w| w.1).collect::<Vec<_>>(), [1, 2, 4, 8, 16, 32, 60, 60]);
        assert!(waits.iter().all(|w| w.0 == 2300.0));
        assert_eq!(reach.most_w(Moment(3_600_000)), None, "then it is tried");
    }

    #[test]
    fn only_a_raise_beyond_where_it_was_held_sets_it_free() {
        let mut reach = Reach::default();
        reach.not_followed(Moment(0), 2300.0);
        reach.followed(1840.0);
        assert!(reach.most_w(Moment(0)).is_some());
        reach.followed(2760.0);
        assert_eq!(reach, Reach::default());
    }
}
