//! By how much one point moves when another does: a line through the origin, by the least sum of absolute differences, and
//! bounds for it that need no law of chance beyond that the house moves up as often as down.

use super::edges::{Edge, Edges};
use super::interval::Interval;

/// Bounds hold unless the signs of the background are this many standard deviations one-sided (a chance of about 6e-5).
const DEVIATIONS: f64 = 4.0;

/// Steps much smaller than the largest drown in what else moves, as a share of the largest.
const SMALL: f64 = 0.08;

/// Bounds that lie within this share tell a scale.
const NARROW: f64 = 0.2;

/// What other meters may have moved by at the same time, as a share of the step.
const BESIDE: f64 = 0.1;

/// Or this share of the greatest that they read, since a meter that counts whole watt-hours jumps by itself.
const JITTER: f64 = 0.025;

/// A point held near zero by something that follows tells nothing, as a share of its greatest size.
const NEAR_ZERO: f64 = 0.03;

/// How one point answered the steps of another.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slope {
    /// The place of the point that moved.
    pub(super) of: usize,
    /// The place of the one that answered.
    pub(super) seen_in: usize,
    /// What it moved by for each watt.
    pub(super) middle: f64,
    /// The true slope lies between these; `None` while there are too few steps.
    pub(super) bounds: Option<Interval>,
    /// Steps used.
    pub(super) steps: usize,
    /// How many equal steps these are worth.
    pub(super) worth: f64,
}

impl Slope {
    /// About how many more steps like these are needed to tell a scale; 0 where it is told.
    pub(super) fn lacking(&self) -> usize {
        let Some(bounds) = self.bounds else {
            return (DEVIATIONS * DEVIATIONS + 1.0 - self.worth).ceil().max(1.0) as usize;
        };
        // Bounds close in with the root of the count.
        let width = (bounds.high - bounds.low) / bounds.size().max(f64::MIN_POSITIVE) / NARROW;
        if width > 1.0 { (self.steps as f64 * (width * width - 1.0)).ceil() as usize } else { 0 }
    }
}

/// The slope of `seen_in` against `of`. `beside` are the meters that must have stood still; `greatest` tells
/// nearly the greatest size that each point reads.
pub(super) fn slope(edges: &Edges, of: usize, seen_in: usize, beside: &[usize], greatest: &[f64]) -> Slope {
    let largest = edges.of(of).last().map_or(0.0, |e| e.moved(of).abs());
    let most = |place: usize| greatest.get(place).copied().unwrap_or(0.0);
    let near = NEAR_ZERO * most(seen_in);
    let still = |e: &Edge, b: usize| {
        let moved = e.moved(b).abs();
        moved.is_nan() || moved <= (BESIDE * e.moved(of).abs()).max(JITTER * most(b))
    };
    let held = |e: &Edge| {
        let at = |side: &[f64]| side.get(seen_in).is_some_and(|w| w.abs() < near);
        at(&e.before) && at(&e.after)
    };
    let mut answers: Vec<(f64, f64)> = edges
        .of(of)
        .filter(|e| e.moved(of).abs() >= SMALL * largest && e.moved(seen_in).is_finite() && !held(e))
        .filter(|e| beside.iter().all(|b| still(e, *b)))
        .map(|e| (e.moved(seen_in) / e.moved(of), e.moved(of).abs()))
        .collect();
    answers.sort_by(|a, b| a.0.total_cmp(&b.0));
    let weight: f64 = answers.iter().map(|a| a.1).sum();
    let square: f64 = answers.iter().map(|a| a.1 * a.1).sum();
    let worth = if square > 0.0 { weight * weight / square } else { 0.0 };
    // The share of the weight that lies below; half of the allowed excess on either side.
    let excess = DEVIATIONS * square.sqrt();
    let bounds = (excess < weight).then(|| Interval {
        low: quantile(&answers, (weight - excess) / 2.0),
        high: quantile(&answers, (weight + excess) / 2.0),
    });
    let middle = quantile(&answers, weight / 2.0);
    Slope { of, seen_in, middle, bounds, steps: answers.len(), worth }
}

fn quantile(answers: &[(f64, f64)], weight: f64) -> f64 {
    let mut below = 0.0;
    for (ratio, own) in answers {
        below += own;
        if below >= weight {
            return *ratio;
        }
    }
    answers.last().map_or(0.0, |a| a.0)
}
