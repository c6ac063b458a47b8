//! How the background moves by itself while nothing is switched on purpose.
//!
//! A step is held against pretended ones: the same difference of levels taken at moments when nobody switched anything.
//! They tell how often and how far the house moves within the gap of a step, where no window sees it.

use crate::time::{Span, WallTime};

use super::response::GUARD;
use super::step::{Act, What};
use super::trace::{Trace, median};

/// By this much the gap of a pretended step is longer than that of any step, since its windows see less.
const SPARE: Span = Span::seconds(1);

/// Distance between pretended steps.
const STRIDE: Span = Span::seconds(4);

/// A solar source that was switched on comes back within this time; its ramp is no background.
const COMES_BACK: Span = Span::minutes(5);

/// How likely it may be that the background by itself bends an answer.
const RISK: f64 = 1e-5;

/// A kettle or a toaster is on from one to four minutes, any time between as likely as another.
const LASTS: (f64, f64) = (60.0, 240.0);

/// How seldom two large moves of a house are alike enough to pass for one, at best.
const ALIKE: f64 = 0.1;

/// Moves that the background made by itself.
pub(super) struct Background {
    /// Ascending by their watts.
    moves: Vec<Move>,
    /// How likely a move of one edge is undone in the next one, where a thing is switched on and off in turn.
    undone: Option<f64>,
    /// How many pretended steps one kettle would show in.
    kettle_steps: f64,
}

struct Move {
    watts: f64,
    /// How wrong it may be, in watts.
    error_w: f64,
}

/// Seconds from one switching to the next that undoes it, in the middle; a roof is only judged when switched off.
fn apart_s(acts: &[Act], what: What) -> Option<f64> {
    let times: Vec<WallTime> = acts.iter().filter(|a| a.what == what).map(|a| a.at).collect();
    let apart: Vec<f64> =
        times.iter().zip(times.iter().skip(1)).map(|(a, b)| (*b - *a).as_seconds()).collect();
    (what != What::SolarOff && !apart.is_empty()).then(|| median(&apart))
}

/// How likely what came with one switching goes with the next, which comes `apart_s` later, where each sees moves within
/// `seen_s`.
fn undone(apart_s: f64, seen_s: f64) -> f64 {
    let (shortest, longest) = LASTS;
    let from = (apart_s - seen_s / 2.0).max(shortest);
    let to = (apart_s + seen_s / 2.0).min(longest);
    (to - from).max(0.0) / (longest - shortest)
}

impl Background {
    /// Of pretended steps that take as long as those of `what` did at worst: the longer a hand takes, the more kettles hide
    /// in one.
    pub(super) fn of(trace: &Trace, acts: &[Act], what: What) -> Background {
        let settle = acts.iter().filter(|a| a.what == what && a.counts()).map(|a| a.settle).max();
        // The windows are shorter than those of a step, or few would fit.
        let gap = GUARD + settle.unwrap_or(Span::ZERO) + SPARE;
        let mut moves: Vec<Move> = Vec::new();
        for (from, to) in free(trace, acts) {
            let window = Span(trace.window().0 / 2);
            let length = window + gap + window;
            let mut start = from;
            while start + length <= to {
                let before = trace.level(start, start + window);
                let after = trace.level(start + window + gap, start + length);
                if let (Some(before), Some(after)) = (before, after) {
                    let watts = (after.watts - before.watts).abs();
                    moves.push(Move { watts, error_w: before.error_w + after.error_w });
                }
                start = start + STRIDE;
            }
        }
        moves.sort_by(|a, b| a.watts.total_cmp(&b.watts));
        let seen_s = (gap + Span(trace.window().0 / 2)).as_seconds();
        let undone = apart_s(acts, what).map(|apart_s| undone(apart_s, seen_s));
        Background { moves, undone, kettle_steps: seen_s / STRIDE.as_seconds() }
    }

    /// Sizes of the moves between levels as calm as those of the edges that are used: within `calm_w`. Ascending.
    pub(super) fn calm(&self, calm_w: f64) -> Moves {
        let calm = self.moves.iter().filter(|m| m.error_w <= calm_w);
        Moves { watts: calm.map(|m| m.watts).collect(), undone: self.undone, kettle_steps: self.kettle_steps }
    }
}

/// Sizes of moves.
pub(super) struct Moves {
    /// Ascending.
    watts: Vec<f64>,
    /// As in [`Background`].
    undone: Option<f64>,
    /// As in [`Background`].
    kettle_steps: f64,
}

impl Moves {
    /// The share of moves greater than `watts`; never nothing, since a short watch proves little.
    fn share_above(&self, watts: f64) -> f64 {
        let above = self.watts.len() - self.watts.partition_point(|m| *m <= watts);
        (above + 1) as f64 / (self.watts.len() + 1) as f64
    }

    /// The same as if one kettle more had come: that none did so far does not say that none comes now.
    fn share_with_one_more(&self, watts: f64) -> f64 {
        let above = self.watts.len() - self.watts.partition_point(|m| *m <= watts);
        (above as f64 + self.kettle_steps) / (self.watts.len() as f64 + self.kettle_steps)
    }

    /// Whether moves greater than `tolerance_w` are so common that `agreeing` of `count` repeats may be such. Repeats agree
    /// that differ by less than `apart_w`.
    pub(super) fn drowns(&self, count: usize, agreeing: usize, tolerance_w: f64, apart_w: f64) -> bool {
        let alike = self.alike(tolerance_w, apart_w);
        let kettles = |n: usize, share: f64| share.powi(n as i32) * alike.powi(n as i32 - 1);
        let each = kettles(agreeing, self.share_above(tolerance_w));
        // One kettle moves two edges by the same watts when it comes with the switching on and goes with the one off.
        let pairs = agreeing / 2;
        let once = kettles(agreeing - pairs, self.share_with_one_more(tolerance_w));
        let in_pairs = self.undone.map_or(0.0, |undone| undone.powi(pairs as i32) * once);
        ways(count, agreeing) * each.max(in_pairs) > RISK
    }

    /// The share of the moves greater than `tolerance_w` that pass for each other, where they lie closest.
    fn alike(&self, tolerance_w: f64, apart_w: f64) -> f64 {
        let large = self.watts.get(self.watts.partition_point(|m| *m <= tolerance_w)..).unwrap_or_default();
        let from = |i: usize, low: f64| large.partition_point(|m| *m <= low + apart_w) - i;
        let most = large.iter().enumerate().map(|(i, low)| from(i, *low)).max().unwrap_or(0);
        (most as f64 / large.len().max(1) as f64).max(ALIKE)
    }

    /// By how much `agreeing` of `count` repeats may all have been moved the same way, in watts; at most `tolerance_w`.
    pub(super) fn hidden_w(&self, count: usize, agreeing: usize, tolerance_w: f64) -> f64 {
        let small = self.watts.iter().copied().filter(|m| *m <= tolerance_w);
        let may_hide = |m: &f64| chance(count, agreeing, self.share_above(*m)) > RISK;
        small.filter(may_hide).fold(0.0, f64::max)
    }
}

/// The chance that `some` of `count` repeats are moved the same way, each with `share`. What came goes again: a cloud and
/// a kettle alternate as a load that is switched on and off does, so that their directions agree by themselves.
fn chance(count: usize, some: usize, share: f64) -> f64 {
    ways(count, some) * share.powi(some as i32)
}

/// In how many ways `some` of `count` can be chosen.
fn ways(count: usize, some: usize) -> f64 {
    (0..some).fold(1.0, |ways, i| ways * (count - i) as f64 / (i + 1) as f64)
}

/// Stretches in which nothing was switched on purpose.
fn free(trace: &Trace, acts: &[Act]) -> Vec<(WallTime, WallTime)> {
    let (Some(first), Some(last)) = (trace.samples.first(), trace.samples.last()) else {
        return Vec::new();
    };
    let mut sorted: Vec<&Act> = acts.iter().collect();
    sorted.sort_by_key(|a| a.at.0);
    let mut from = first.at;
    let mut stretches = Vec::new();
    for act in sorted {
        stretches.push((from, act.at));
        let returns = act.what == What::SolarOff && act.on;
        let busy = if returns { COMES_BACK } else { act.settle };
        from = WallTime(from.0.max((act.at + busy).0));
    }
    stretches.push((from, last.at));
    stretches
}

#[cfg(test)]
mod tests {
    use super::{Moves, undone};

    /// An hour in which nothing large was seen to move, with points that report every 10 s.
    fn hour(undone: Option<f64>) -> Moves {
        Moves { watts: (0..600).map(|i| f64::from(i) / 10.0).collect(), undone, kettle_steps: 16.0 }
    }

    #[test]
    fn a_kettle_outlasts_two_quick_switchings() {
        assert_eq!(undone(33.0, 27.0), 0.0, "half a minute apart: on all along");
        assert!((undone(112.0, 64.0) - 64.0 / 180.0).abs() < 1e-9);
        assert_eq!(undone(1200.0, 64.0), 0.0, "off long since");
    }

    #[test]
    fn one_kettle_may_bend_two_switchings_in_turn() {
        // On, off, and a second kettle: three of four edges agree, and none of them is the load's own.
        assert!(hour(Some(0.36)).drowns(4, 3, 300.0, 500.0));
        assert!(!hour(None).drowns(4, 3, 300.0, 500.0), "a roof that is only switched off has no such pairs");
        // Six that agree are three kettles, each at home in its pair: that is too much of a chance.
        assert!(!hour(Some(0.36)).drowns(6, 6, 300.0, 500.0));
    }
}
