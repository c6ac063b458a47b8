//! Imported power, counted: numbers of all files in the order of time, each for as long as it stands.

use std::sync::Arc;

use overspill_rules::home::{Home, PointId};
use overspill_rules::input::Reading;
use overspill_rules::output::EnergyRow;
use overspill_rules::recount::Recount;
use overspill_rules::time::{Moment, WallTime};

use super::past_home::plain;
use crate::store::Stands;

/// A number of a file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Imported {
    pub(crate) at: WallTime,
    /// The point's place in today's home.
    pub(crate) point: PointId,
    pub(crate) watts: f64,
    pub(crate) stands: Stands,
}

/// What happens at a time; of one time in this order, so that sums over several points are right.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    /// A number that is not followed by another stands until here.
    Until(PointId, f64),
    Value(PointId, f64),
    Ends(PointId),
}

/// The files' numbers on their way to half hours.
#[derive(Debug)]
pub(crate) struct Merge {
    recount: Recount,
    /// Ends that lie beyond what was taken so far.
    later: Vec<(WallTime, Step)>,
}

impl Merge {
    pub(crate) fn new(today: &Home) -> Merge {
        Merge { recount: Recount::new(Arc::new(plain(today)), 0), later: Vec::new() }
    }

    /// Takes the numbers before `to`. What lies beyond tells how long they stand; it must reach as far as any of them
    /// may, and is to be handed in again with the next part.
    pub(crate) fn take(&mut self, numbers: &[Imported], to: WallTime) -> Vec<EnergyRow> {
        let mut sorted = numbers.to_vec();
        sorted.sort_by_key(|n| (n.point, n.at));
        let mut steps = std::mem::take(&mut self.later);
        for (i, number) in sorted.iter().enumerate().filter(|(_, n)| n.at < to) {
            steps.push((number.at, Step::Value(number.point, number.watts)));
            let next = sorted.get(i + 1).filter(|n| n.point == number.point);
            if next.is_none_or(|n| n.at - number.at > number.stands.at_most) {
                let end = number.at + number.stands.usually;
                steps.push((end, Step::Until(number.point, number.watts)));
                steps.push((end, Step::Ends(number.point)));
            }
        }
        let (mut now, later): (Vec<_>, Vec<_>) = steps.into_iter().partition(|(at, _)| *at < to);
        self.later = later;
        now.sort_by_key(|(at, step)| (*at, step.rank()));
        now.iter().for_each(|(at, step)| self.go(*at, *step));
        self.recount.rows()
    }

    /// The half hours under way.
    pub(crate) fn close(mut self) -> Vec<EnergyRow> {
        let mut rows = self.take(&[], WallTime(i64::MAX));
        rows.extend(self.recount.close());
        rows
    }

    fn go(&mut self, at: WallTime, step: Step) {
        match step {
            Step::Until(point, value) | Step::Value(point, value) => {
                let reading = Reading { point, extra: None, value, device_time: None, retained: false };
                self.recount.take(Moment(at.0), &reading);
            }
            Step::Ends(point) => self.recount.ends(point),
        }
    }
}

impl Step {
    fn rank(self) -> u8 {
        match self {
            Step::Until(..) => 0,
            Step::Value(..) => 1,
            Step::Ends(..) => 2,
        }
    }
}
