//! Corrections at work on numbers as received.

use std::collections::BTreeMap;

use overspill_rules::home::{ExtraKind, Home, Point, PointId, Unit};
use overspill_rules::input::Reading;
use overspill_rules::time::WallTime;

use super::past_home::RunHome;
use crate::store::{Correction, Kind};

/// A correction with the places of its points among all points.
#[derive(Debug, Clone)]
struct Put {
    from: WallTime,
    to: WallTime,
    point: PointId,
    what: What,
}

#[derive(Debug, Clone, Copy)]
enum What {
    Negate,
    Scale(f64),
    Swap(PointId),
    Replaced,
}

/// The corrections that hold, in their order.
#[derive(Debug, Clone, Default)]
pub(crate) struct PutRight {
    all: Vec<Put>,
}

impl PutRight {
    /// Those that were not taken back. `all` has every point that a correction can name.
    pub(crate) fn new<'a>(corrections: impl Iterator<Item = &'a Correction>, all: &Home) -> PutRight {
        let each = corrections.filter(|c| c.undone.is_none()).filter_map(|c| {
            let what = match &c.what.kind {
                Kind::Negate => What::Negate,
                Kind::Scale(factor) => What::Scale(*factor),
                Kind::SwapWith(other) => What::Swap(all.point_named(other)?),
                Kind::Replaced => What::Replaced,
            };
            Some(Put { from: c.what.from, to: c.what.to, point: all.point_named(&c.what.point)?, what })
        });
        PutRight { all: each.collect() }
    }

    /// Whether what this point counts has to be counted on by its steps.
    fn steps(&self, point: PointId) -> bool {
        self.all.iter().any(|p| match p.what {
            What::Scale(_) | What::Replaced => p.point == point,
            What::Swap(other) => p.point == point || other == point,
            What::Negate => false,
        })
    }
}

/// What was counted last, by source, and what was made of it, by target: a counter goes on where it stood, whatever was
/// found wrong with its steps.
#[derive(Debug, Clone, Default)]
pub(crate) struct Counters {
    last: BTreeMap<(PointId, Option<ExtraKind>), (WallTime, f64)>,
    made: BTreeMap<(PointId, Option<ExtraKind>), f64>,
}

/// A number on its way.
#[derive(Clone, Copy)]
struct Going {
    point: PointId,
    extra: Option<ExtraKind>,
    /// What the number, or the step of a counter, is multiplied by.
    factor: f64,
}

impl PutRight {
    /// What a reading truly was; `reading.point` is the place among all points, before and after.
    pub(crate) fn apply(
        &self,
        reading: Reading,
        at: WallTime,
        run: &RunHome,
        counters: &mut Counters,
    ) -> Reading {
        if self.all.is_empty() {
            return reading;
        }
        let mut going = Going { point: reading.point, extra: reading.extra, factor: 1.0 };
        for put in self.all.iter().filter(|p| at >= p.from && at < p.to) {
            going = put.apply(going, run);
        }
        let counts = run.point(reading.point).is_some_and(|p| counts_up(p, reading.extra));
        let value = if counts && self.steps(reading.point) {
            counters.step(&reading, at, going, |then| self.replaced_between(reading.point, then, at))
        } else {
            reading.value * going.factor
        };
        Reading { point: going.point, extra: going.extra, value, ..reading }
    }

    fn replaced_between(&self, point: PointId, then: WallTime, now: WallTime) -> bool {
        let replaced = |p: &Put| matches!(p.what, What::Replaced) && p.point == point;
        self.all.iter().any(|p| replaced(p) && p.from > then && p.from <= now)
    }
}

impl Put {
    fn apply(&self, going: Going, run: &RunHome) -> Going {
        match self.what {
            What::Negate if going.point == self.point => negated(going),
            What::Scale(factor) if going.point == self.point && scales(going.extra) => {
                Going { factor: going.factor * factor, ..going }
            }
            What::Swap(other) if going.point == self.point => moved(going, other, run),
            What::Swap(other) if going.point == other => moved(going, self.point, run),
            _ => going,
        }
    }
}

/// The meter behind a clamp that is the wrong way round counts what is drawn as sent out.
fn negated(going: Going) -> Going {
    match going.extra {
        None => Going { factor: -going.factor, ..going },
        Some(ExtraKind::ImportKwh) => Going { extra: Some(ExtraKind::ExportKwh), ..going },
        Some(ExtraKind::ExportKwh) => Going { extra: Some(ExtraKind::ImportKwh), ..going },
        Some(_) => going,
    }
}

/// Volts and power factor do not come from the clamp.
fn scales(extra: Option<ExtraKind>) -> bool {
    !matches!(extra, Some(ExtraKind::Volts | ExtraKind::PowerFactor))
}

/// The number as the other point's device would have sent it.
fn moved(going: Going, to: PointId, run: &RunHome) -> Going {
    let whole = |p: &Point| match going.extra {
        None => p.scale * unit_factor(p.unit),
        Some(kind) => p.extras.iter().find(|e| e.kind == kind).map_or(1.0, |e| e.scale),
    };
    let (own, others) = (run.point(going.point).map(whole), run.point(to).map(whole));
    let factor = match (own, others) {
        (Some(own), Some(others)) if others != 0.0 => own / others,
        _ => 1.0,
    };
    Going { point: to, factor: going.factor * factor, ..going }
}

/// What makes watts or kilowatt-hours of a number.
fn unit_factor(unit: Unit) -> f64 {
    match unit {
        Unit::W | Unit::A | Unit::Kwh => 1.0,
        Unit::Kw => 1000.0,
        Unit::Wh => 0.001,
        Unit::Pulses { per_kwh } | Unit::PulseCount { per_kwh } => 1.0 / per_kwh,
    }
}

/// Whether two units can stand for each other: both powers, both currents, both registers, or pulses of one kind.
pub(crate) fn alike(one: Unit, other: Unit) -> bool {
    let family = |unit| match unit {
        Unit::W | Unit::Kw => 0,
        Unit::A => 1,
        Unit::Wh | Unit::Kwh => 2,
        Unit::Pulses { .. } => 3,
        Unit::PulseCount { .. } => 4,
    };
    family(one) == family(other)
}

/// Whether the number is a count that only grows.
fn counts_up(point: &Point, extra: Option<ExtraKind>) -> bool {
    match extra {
        None => matches!(point.unit, Unit::Wh | Unit::Kwh | Unit::PulseCount { .. }),
        Some(kind) => matches!(kind, ExtraKind::ImportKwh | ExtraKind::ExportKwh),
    }
}

impl Counters {
    /// Where the counter of the target stands after this reading. A step back, or one across a replacement, counts nothing.
    fn step(
        &mut self,
        reading: &Reading,
        at: WallTime,
        going: Going,
        replaced_since: impl Fn(WallTime) -> bool,
    ) -> f64 {
        let before = self.last.insert((reading.point, reading.extra), (at, reading.value));
        let step = match before {
            Some((then, value)) if !replaced_since(then) => (reading.value - value).max(0.0),
            _ => 0.0,
        };
        let made = self.made.entry((going.point, going.extra)).or_insert(reading.value * going.factor);
        *made += step * going.factor;
        *made
    }
}
