//! Steps that happened by themselves: a point stood still, moved, and stood still again.

use std::collections::{BTreeMap, VecDeque};

use crate::time::{Span, WallTime};

/// Slots looked at together: two before, the one in which it moved, two after.
const WINDOW: usize = 5;

/// The largest steps of each point that are kept: a year takes no more room than a month.
const KEPT: usize = 1500;

/// What it may move by before and after, as a share of the step.
const STILL: f64 = 0.2;

/// Slots longer than this hold no step that stands still before and after; any difference is taken instead.
const LONGEST_FOR_STEPS: Span = Span::minutes(5);

/// Smaller steps are not worth keeping, in the point's own unit.
const LEAST: f64 = 0.05;

/// All points around one step, in watts; what is not known is not a number.
#[derive(Debug, Clone)]
pub(super) struct Edge {
    pub(super) before: Vec<f64>,
    pub(super) after: Vec<f64>,
}

impl Edge {
    pub(super) fn moved(&self, place: usize) -> f64 {
        let at = |side: &[f64]| side.get(place).copied().unwrap_or(f64::NAN);
        at(&self.after) - at(&self.before)
    }
}

/// One slot: its beginning and the means of all points.
type Slot = (WallTime, Vec<f64>);

/// The largest by size, then by time.
type Largest = BTreeMap<(u64, i64), Edge>;

/// Collects the steps of every point.
#[derive(Debug, Clone)]
pub(super) struct Edges {
    slot: Span,
    window: VecDeque<Slot>,
    largest: Vec<Largest>,
    /// The last step of each point with its size, since one step must not be taken twice.
    last: Vec<Option<(u64, i64)>>,
}

impl Edges {
    pub(super) fn new(points: usize, slot: Span) -> Edges {
        Edges {
            slot,
            window: VecDeque::new(),
            largest: vec![BTreeMap::new(); points],
            last: vec![None; points],
        }
    }

    /// Whether slots are too long for steps that stand still.
    pub(super) fn is_coarse(&self) -> bool {
        self.slot > LONGEST_FOR_STEPS
    }

    /// The next slot; after a gap the window begins afresh.
    pub(super) fn take(&mut self, at: WallTime, watts: &[Option<f64>]) {
        if self.window.back().is_some_and(|(before, _)| *before + self.slot != at) {
            self.window.clear();
        }
        self.window.push_back((at, watts.iter().map(|w| w.unwrap_or(f64::NAN)).collect()));
        if self.window.len() > WINDOW {
            self.window.pop_front();
        }
        if self.window.len() == WINDOW {
            (0..self.largest.len()).for_each(|place| self.look(place));
        }
    }

    /// Nothing that happens now is a step of its own.
    pub(super) fn interrupt(&mut self) {
        self.window.clear();
    }

    fn look(&mut self, place: usize) {
        let value =
            |i: usize| self.window.get(i).and_then(|(_, w)| w.get(place)).copied().unwrap_or(f64::NAN);
        let size = (value(3) - value(1)).abs();
        let still = (value(1) - value(0)).abs().max((value(4) - value(3)).abs());
        // Also false for what is not known.
        let is_step = size >= LEAST && still.is_finite() && (self.is_coarse() || still <= STILL * size);
        let (Some((at, before)), Some((_, _)), Some((_, after))) =
            (self.window.get(1), self.window.get(2), self.window.get(3))
        else {
            return;
        };
        let (Some(largest), Some(last)) = (self.largest.get_mut(place), self.last.get_mut(place)) else {
            return;
        };
        if !is_step {
            return;
        }
        let key = (size.to_bits(), at.0);
        if let Some(earlier) = last.filter(|(_, then)| at.0 - then < 3 * self.slot.0) {
            if earlier.0 >= key.0 {
                return;
            }
            largest.remove(&earlier);
        }
        *last = Some(key);
        if largest.len() < KEPT || largest.first_key_value().is_some_and(|(least, _)| *least < key) {
            largest.insert(key, Edge { before: before.clone(), after: after.clone() });
        }
        if largest.len() > KEPT {
            largest.pop_first();
        }
    }

    /// The steps of one point, the smallest first.
    pub(super) fn of(&self, place: usize) -> impl Iterator<Item = &Edge> {
        self.largest.get(place).into_iter().flat_map(|l| l.values())
    }
}
