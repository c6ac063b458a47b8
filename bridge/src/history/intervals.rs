//! From rows to intervals: how long each number stands.
//!
//! Each column has a rhythm of its own: "usual" is the commonest distance between two numbers of it. A number stands until
//! the next one of its column, as long as that is not much later than usual; where numbers are missing, and at the end of
//! the file, it stands for the usual interval. So a blank field lowers the coverage and counts as nothing.

use std::collections::BTreeMap;

use overspill_rules::time::{Span, WallTime};

use crate::store::Stands;

/// A number may stand for up to so many usual intervals: months differ by a tenth, days of a clock change by an hour.
const LONGEST: f64 = 1.5;

/// So many different distances are counted; a file of any regularity has few.
const DISTANCES: usize = 4096;

/// Whether the time of a row is the start or the end of its interval.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum TimeIs {
    /// The row's interval begins then
    #[default]
    Start,
    /// The row's interval ends then
    End,
}

/// The distances between the numbers of a column.
#[derive(Debug, Clone, Default)]
pub(crate) struct Distances {
    counts: BTreeMap<i64, u64>,
    previous: Option<WallTime>,
}

impl Distances {
    pub(crate) fn add(&mut self, at: WallTime) {
        if let Some(previous) = self.previous.replace(at) {
            let distance = (at - previous).0;
            if self.counts.len() < DISTANCES || self.counts.contains_key(&distance) {
                *self.counts.entry(distance).or_default() += 1;
            }
        }
    }

    /// The commonest one, the shorter of two that are equally common; `None` for fewer than two numbers.
    pub(crate) fn commonest(&self) -> Option<Span> {
        let most = self.counts.values().max()?;
        self.counts.iter().find(|(_, n)| *n == most).map(|(d, _)| Span(*d))
    }
}

/// How long numbers of this rhythm stand.
pub(crate) fn stands(usually: Span) -> Stands {
    Stands { usually, at_most: usually.times(LONGEST) }
}

/// A number with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Interval {
    pub(crate) from: WallTime,
    pub(crate) to: WallTime,
    pub(crate) value: f64,
}

/// The numbers of one column on their way to intervals.
#[derive(Debug, Clone)]
pub(crate) struct Standing {
    time_is: TimeIs,
    stands: Stands,
    previous: Option<(WallTime, f64)>,
}

impl Standing {
    pub(crate) fn new(time_is: TimeIs, stands: Stands) -> Standing {
        Standing { time_is, stands, previous: None }
    }

    /// Takes the next number; gives the interval that is known by it.
    pub(crate) fn next(&mut self, at: WallTime, value: f64) -> Option<Interval> {
        let before = self.previous.replace((at, value));
        match self.time_is {
            TimeIs::Start => {
                let (from, value) = before?;
                Some(Interval { from, to: from + self.length(at - from), value })
            }
            TimeIs::End => Some(Interval { from: self.begin(at, before), to: at, value }),
        }
    }

    /// The interval of the last number, where it has not been given.
    pub(crate) fn last(&mut self) -> Option<Interval> {
        let (from, value) = self.previous.take()?;
        (self.time_is == TimeIs::Start).then(|| Interval { from, to: from + self.stands.usually, value })
    }

    /// When the interval of the number that is taken next begins; known at once.
    pub(crate) fn begins(&self, at: WallTime) -> WallTime {
        match self.time_is {
            TimeIs::Start => at,
            TimeIs::End => self.begin(at, self.previous),
        }
    }

    fn begin(&self, at: WallTime, before: Option<(WallTime, f64)>) -> WallTime {
        let length = before.map_or(self.stands.usually, |(then, _)| self.length(at - then));
        at + Span(-length.0)
    }

    fn length(&self, distance: Span) -> Span {
        if distance <= self.stands.at_most { distance } else { self.stands.usually }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(n: i64) -> WallTime {
        WallTime(n * 60_000)
    }

    fn intervals(time_is: TimeIs, minutes: &[i64]) -> Vec<(i64, i64)> {
        let mut standing = Standing::new(time_is, stands(Span::minutes(30)));
        let mut all: Vec<Interval> = minutes.iter().filter_map(|m| standing.next(minute(*m), 1.0)).collect();
        all.extend(standing.last());
        all.iter().map(|i| (i.from.0 / 60_000, i.to.0 / 60_000)).collect()
    }

    #[test]
    fn a_number_stands_until_the_next_and_no_longer_than_usual_where_one_is_missing() {
        let wanted = [(0, 30), (30, 60), (90, 120), (120, 160), (160, 190)];
        assert_eq!(intervals(TimeIs::Start, &[0, 30, 90, 120, 160]), wanted);
    }

    #[test]
    fn ends_of_intervals_reach_back() {
        let wanted = [(0, 30), (30, 60), (90, 120), (120, 150)];
        assert_eq!(intervals(TimeIs::End, &[30, 60, 120, 150]), wanted);
    }

    #[test]
    fn the_commonest_distance_is_the_usual_one() {
        let mut distances = Distances::default();
        assert_eq!(distances.commonest(), None);
        for m in [0, 30, 60, 120, 150, 165, 180] {
            distances.add(minute(m));
        }
        assert_eq!(distances.commonest(), Some(Span::minutes(30)));
    }
}
