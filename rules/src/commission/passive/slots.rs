//! Readings of any rhythm made into means over slots of equal length.

use std::collections::BTreeMap;

use crate::time::{Span, WallTime};

/// Less of a slot than this is no mean of it.
const LEAST_COVERED: f64 = 0.5;

/// Means of all points over slots that begin at whole multiples of their length since 1970. A reading stands until the next
/// one of its point, but no longer than that point's readings may stand.
#[derive(Debug, Clone)]
pub struct Slots {
    slot: Span,
    stands: Vec<Span>,
    last: Vec<Option<(WallTime, f64)>>,
    /// By the number of the slot; of each point watts times milliseconds, and milliseconds.
    filling: BTreeMap<i64, Vec<(f64, f64)>>,
    given: i64,
}

impl Slots {
    /// For as many points as `stands` has entries: how long a reading of each stands at most.
    pub fn new(slot: Span, stands: Vec<Span>) -> Slots {
        let last = vec![None; stands.len()];
        Slots { slot, stands, last, filling: BTreeMap::new(), given: i64::MIN }
    }

    /// A slot that suits readings that come this far apart: a minute, or as many whole minutes as the slowest needs.
    pub fn length(slowest: Span) -> Span {
        let minute = Span::minutes(1).0;
        Span(minute * ((slowest.0 + minute - 1) / minute).max(1))
    }

    /// A reading of the point at this place. One that is older than the last of its point is left out.
    pub fn put(&mut self, place: usize, at: WallTime, watts: f64) {
        let (Some(last), Some(stands)) = (self.last.get_mut(place), self.stands.get(place)) else { return };
        if last.is_some_and(|(before, _)| at <= before) {
            return;
        }
        let before = last.replace((at, watts));
        if let Some((from, stood)) = before.filter(|(_, w)| w.is_finite()) {
            let to = at.min(from + *stands);
            self.fill(place, from, to, stood);
        }
    }

    fn fill(&mut self, place: usize, from: WallTime, to: WallTime, watts: f64) {
        let points = self.last.len();
        let mut begin = from.0;
        while begin < to.0 {
            let number = begin.div_euclid(self.slot.0);
            let end = ((number + 1) * self.slot.0).min(to.0);
            if number > self.given {
                let cells = self.filling.entry(number).or_insert_with(|| vec![(0.0, 0.0); points]);
                if let Some(cell) = cells.get_mut(place) {
                    cell.0 += watts * (end - begin) as f64;
                    cell.1 += (end - begin) as f64;
                }
            }
            begin = end;
        }
    }

    /// Hands over the slots that end by `to`, in order; `None` where less than half of a slot is known of a point. What
    /// comes later for them is left out.
    pub fn give(&mut self, to: WallTime, mut each: impl FnMut(WallTime, &[Option<f64>])) {
        let end = to.0.div_euclid(self.slot.0);
        let later = self.filling.split_off(&end);
        let ready = std::mem::replace(&mut self.filling, later);
        self.given = self.given.max(end - 1);
        let least = LEAST_COVERED * self.slot.0 as f64;
        for (number, cells) in ready {
            let means: Vec<Option<f64>> =
                cells.iter().map(|(sum, covered)| (*covered >= least).then(|| sum / covered)).collect();
            each(WallTime(number * self.slot.0), &means);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_stands_until_the_next_but_not_for_ever() {
        let mut slots = Slots::new(Span::minutes(1), vec![Span::seconds(100)]);
        slots.put(0, WallTime(30_000), 100.0);
        slots.put(0, WallTime(90_000), 300.0);
        slots.put(0, WallTime(80_000), 9999.0);
        slots.put(0, WallTime(1_000_000), 0.0);
        let mut told = Vec::new();
        slots.give(WallTime(600_000), |at, means| told.push((at.0, means.to_vec())));
        // 30 to 60 s: 100 W; 60 to 90 s: 100 W and 90 to 120 s: 300 W; 300 W until 190 s, too little of the slot from 180 s.
        let wanted = vec![
            (0, vec![Some(100.0)]),
            (60_000, vec![Some(200.0)]),
            (120_000, vec![Some(300.0)]),
            (180_000, vec![None]),
        ];
        assert_eq!(told, wanted);
    }

    #[test]
    fn slots_are_as_long_as_the_slowest_point_needs() {
        assert_eq!(Slots::length(Span::seconds(10)), Span::minutes(1));
        assert_eq!(Slots::length(Span::seconds(61)), Span::minutes(2));
        assert_eq!(Slots::length(Span::minutes(30)), Span::minutes(30));
    }
}
