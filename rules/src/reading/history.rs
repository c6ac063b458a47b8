//! A short memory of one value: what it was at an earlier moment.

use std::collections::VecDeque;

use crate::limits::HISTORY_READINGS;
use crate::time::Moment;

/// The last values of something, each with its own time, oldest first.
#[derive(Debug, Clone, Default)]
pub(crate) struct History {
    samples: VecDeque<(Moment, f64)>,
}

impl History {
    /// Adds a value. Its time must not be before the newest one's.
    pub(crate) fn push(&mut self, at: Moment, value: f64) {
        if self.samples.len() == HISTORY_READINGS {
            self.samples.pop_front();
        }
        self.samples.push_back((at, value));
    }

    /// The value as it stood at `at`; before the oldest known, the oldest.
    pub(crate) fn at(&self, at: Moment) -> Option<f64> {
        let after = self.samples.partition_point(|(t, _)| *t <= at);
        self.samples.get(after.saturating_sub(1)).map(|(_, v)| *v)
    }

    /// The newest value with its time.
    pub(crate) fn newest(&self) -> Option<(Moment, f64)> {
        self.samples.back().copied()
    }

    /// The values whose time is after `after` and not after `upto`.
    pub(crate) fn between(&self, after: Moment, upto: Moment) -> impl Iterator<Item = (Moment, f64)> + '_ {
        let first = self.samples.partition_point(|(t, _)| *t <= after);
        self.samples.iter().skip(first).copied().take_while(move |(t, _)| *t <= upto)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tells_the_value_that_stood_at_a_moment() {
        let mut history = History::default();
        assert_eq!(history.at(Moment(5)), None);
        for (t, v) in [(10, 1.0), (20, 2.0), (30, 3.0)] {
            history.push(Moment(t), v);
        }
        for (t, v) in [(5, 1.0), (10, 1.0), (19, 1.0), (20, 2.0), (99, 3.0)] {
            assert_eq!(history.at(Moment(t)), Some(v), "at {t}");
        }
        let within: Vec<_> = history.between(Moment(10), Moment(30)).collect();
        assert_eq!(within, [(Moment(20), 2.0), (Moment(30), 3.0)]);
    }

    #[test]
    fn forgets_the_oldest() {
        let mut history = History::default();
        for t in 0..(HISTORY_READINGS as i64 + 10) {
            history.push(Moment(t), t as f64);
        }
        assert_eq!(history.at(Moment(0)), Some(10.0));
    }
}
