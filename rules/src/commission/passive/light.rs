//! Whether it is dark.

use std::collections::VecDeque;

use crate::sun;
use crate::time::{Span, WallTime};

/// The sun is asked for at whole quarters of an hour, since that is dear.
const QUARTER: Span = Span::minutes(15);

/// Below this the roof makes nothing; dawn before it is too faint, in degrees.
const DARK_BELOW_DEG: f64 = -4.0;

/// Answers remembered.
const REMEMBERED: usize = 8;

#[derive(Debug, Clone)]
pub(super) struct Light {
    place: (f64, f64),
    known: VecDeque<(i64, f64)>,
}

impl Light {
    pub(super) fn new(place: (f64, f64)) -> Light {
        Light { place, known: VecDeque::new() }
    }

    /// Whether it is dark from `at` for as long as `slot`.
    pub(super) fn is_dark(&mut self, at: WallTime, slot: Span) -> bool {
        let first = at.0.div_euclid(QUARTER.0);
        let last = (at + slot).0.div_euclid(QUARTER.0) + 1;
        (first..=last).all(|quarter| self.elevation(quarter) < DARK_BELOW_DEG)
    }

    fn elevation(&mut self, quarter: i64) -> f64 {
        if let Some((_, known)) = self.known.iter().find(|(of, _)| *of == quarter) {
            return *known;
        }
        let at = WallTime(quarter * QUARTER.0);
        // What can't be worked out counts as light: then nothing is claimed.
        let found = sun::position(at, self.place).map_or(90.0, |sun| sun.elevation_deg);
        self.known.push_back((quarter, found));
        if self.known.len() > REMEMBERED {
            self.known.pop_front();
        }
        found
    }
}
