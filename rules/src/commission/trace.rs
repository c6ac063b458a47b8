//! Readings of one point, and the levels between which it stepped.

use crate::home::PointId;
use crate::time::{Span, WallTime};

/// Shortest window from which a level is taken: ten seconds each side at least (common practice), and time enough to see
/// whether it drifts.
const WINDOW: Span = Span::seconds(20);

/// Fewest readings in a window.
const FEWEST: usize = 4;

/// One reading, as the home file understands it now: scale, unit and sign applied.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Its own time.
    pub at: WallTime,
    /// Power in watts; power into the house is positive.
    pub watts: f64,
}

/// The readings of one point in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// Whose readings.
    pub point: PointId,
    /// How often it reports.
    pub interval: Span,
    /// In order of time.
    pub samples: Vec<Sample>,
}

/// Where a point stood during a window, in watts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Level {
    pub(super) watts: f64,
    /// How far the true level may lie from `watts`.
    pub(super) error_w: f64,
}

impl Trace {
    /// How long the windows of this point are: long enough for [`FEWEST`] readings in each half.
    pub(super) fn window(&self) -> Span {
        let needed = self.interval.times(2.0 * FEWEST as f64 + 1.0);
        if needed > WINDOW { needed } else { WINDOW }
    }

    /// The level from `from` to just before `to`; `None` with too few readings.
    pub(super) fn level(&self, from: WallTime, to: WallTime) -> Option<Level> {
        let first = self.samples.partition_point(|s| s.at < from);
        let last = self.samples.partition_point(|s| s.at < to);
        let watts: Vec<f64> = self.samples.get(first..last)?.iter().map(|s| s.watts).collect();
        if watts.len() < FEWEST || watts.iter().any(|w| !w.is_finite()) {
            return None;
        }
        let middle = median(&watts);
        let off: Vec<f64> = watts.iter().map(|w| (w - middle).abs()).collect();
        let (early, late) = watts.split_at(watts.len() / 2);
        let drift = (median(early) - median(late)).abs();
        Some(Level { watts: middle, error_w: error_of_median(median(&off), watts.len()) + drift })
    }
}

/// Three standard errors of a median, from the median absolute deviation. For a normal background the deviation is 1.4826
/// times as large and a median 1.2533 times as uncertain as a mean; neighbouring readings of a home are alike, so that a
/// third of them counts.
fn error_of_median(deviation: f64, count: usize) -> f64 {
    3.0 * 1.4826 * 1.2533 * deviation / (count as f64 / 3.0).max(1.0).sqrt()
}

/// The middle value; 0 of nothing.
pub(super) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = |i: usize| sorted.get(i).copied().unwrap_or(0.0);
    match sorted.len() {
        0 => 0.0,
        n if n % 2 == 1 => at(n / 2),
        n => f64::midpoint(at(n / 2 - 1), at(n / 2)),
    }
}
