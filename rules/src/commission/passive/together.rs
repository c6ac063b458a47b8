//! What points say of each other: by how much one moves with another, and that the house never makes power.

use super::interval::Interval;
use super::slope::Slope;
use super::sources::{Source, Sources};
use super::views::View;

/// What a slope found in slots of some minutes may be off by beside its bounds, as a share.
const LOOSE: f64 = 0.04;

/// The same where slots are so long that house and sun move together.
const LOOSE_COARSE: f64 = 0.4;

/// Whether a slope can be what these views give.
pub(super) fn explains(
    slope: &Slope,
    views: &[&View],
    sources: &Sources,
    flows: &[bool],
    coarse: bool,
) -> bool {
    let (Some(bounds), Some(of), Some(seen_in)) =
        (slope.bounds, views.get(slope.of), views.get(slope.seen_in))
    else {
        return true;
    };
    let Some(expected) = expected(of, seen_in, sources, hidden(views, flows, slope)) else {
        return true;
    };
    let share = if coarse { LOOSE_COARSE } else { LOOSE };
    expected.wider(share * bounds.size().max(expected.size())).meets(bounds)
}

/// Whether a meter that had to stand still, or a battery without one, may have moved unseen.
fn hidden(views: &[&View], own_flow: &[bool], slope: &Slope) -> bool {
    let beside = views.iter().zip(own_flow).enumerate();
    beside.filter(|(i, _)| *i != slope.of && *i != slope.seen_in).any(|(_, (view, own))| *own && view.hides)
}

/// The slopes that are possible; `None` where any is.
fn expected(of: &View, seen_in: &View, sources: &Sources, hidden: bool) -> Option<Interval> {
    if of.is_nothing() || seen_in.is_nothing() {
        return Some(Interval::ZERO);
    }
    if of.unsigned {
        return None;
    }
    let sees_house = |view: &View| {
        let rest = |s: &Source| matches!(s, Source::Rest(_));
        view.reads.iter().zip(&sources.all).any(|(r, s)| rest(s) && r.size() > 0.0)
    };
    let unmeasured = sources.all.contains(&Source::Unmeasured);
    let mut hull: Option<Interval> = None;
    for (i, source) in sources.all.iter().enumerate() {
        let (Some(own), Some(answer)) = (of.reads.get(i), seen_in.reads.get(i)) else { continue };
        if own.size() == 0.0 {
            continue;
        }
        // What only follows, or is followed, may move with anything; the whole house hides that by its own meters.
        if answer.size() == 0.0 && !sees_house(seen_in) {
            return None;
        }
        let may_be_followed = (hidden || unmeasured) && sources.all.iter().any(|s| sources.follows(*s));
        if may_be_followed || matches!(source, Source::Cell(_) | Source::Unmeasured) && unmeasured {
            return None;
        }
        let ratio = answer.over(*own)?;
        hull = Some(hull.map_or(ratio, |h| h.hull(ratio)));
    }
    let hull = hull?;
    Some(if seen_in.unsigned { Interval::of(-hull.size(), hull.size()) } else { hull })
}

/// How much the house is said to make, where all meters of the home were known.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Balance {
    pub(super) slots: u64,
    /// In so many of them the home used less than nothing.
    pub(super) below_zero: u64,
}

/// Use below zero by more than this is no matter of readings of different age, in watts; as in the report.
const BELOW_ZERO_W: f64 = 40.0;

/// The same as a share of what the meters read together, since each may be off by a twentieth.
const BELOW_ZERO_SHARE: f64 = 0.12;

/// Beyond this gain even a faint reading is no faint one.
const MAGNIFIED: f64 = 1.2;

/// Stray slots: a cloud between two readings.
const STRAY: f64 = 0.02;
const LEAST_SLOTS: u64 = 20;

impl Balance {
    pub(super) fn take(&mut self, watts: impl Iterator<Item = Option<f64>>) {
        let (mut sum, mut size) = (0.0, 0.0);
        for one in watts {
            let Some(one) = one else { return };
            sum += one;
            size += one.abs();
        }
        self.slots += 1;
        self.below_zero += u64::from(sum < -BELOW_ZERO_W - BELOW_ZERO_SHARE * size);
    }

    /// Whether the house is said to make power too often to be chance.
    pub(super) fn is_broken(&self) -> bool {
        self.below_zero >= LEAST_SLOTS && self.below_zero as f64 > STRAY * self.slots as f64
    }

    /// Whether these views, of the points that are summed, could make the house seem to make power.
    pub(super) fn can_break<'a>(summed: impl Iterator<Item = (&'a View, f64)>, sources: &Sources) -> bool {
        let mut sums = vec![Interval::ZERO; sources.all.len()];
        for (view, sign) in summed {
            // What an inverter draws at night is magnified as well.
            if view.unsigned || view.reads.iter().any(|r| r.size() > MAGNIFIED) {
                return true;
            }
            for (sum, reads) in sums.iter_mut().zip(&view.reads) {
                *sum = sum.plus(reads.times(Interval::of(sign, sign)));
            }
        }
        let tolerated = |s: &Source| if matches!(s, Source::Rest(_)) { 0.0 } else { -0.1 - 1e-9 };
        sums.iter().zip(&sources.all).any(|(sum, source)| match source {
            Source::Cell(_) => sum.size() > 0.1 + 1e-9,
            Source::Unmeasured => sum.size() > 0.0,
            source => sum.low < tolerated(source),
        })
    }
}
