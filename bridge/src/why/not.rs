//! The smallest change that would have started or stopped a load.

use overspill_rules::home::{Home, LoadId, Measures, PointId, Side, Unit};
use overspill_rules::input::Input;
use overspill_rules::output::Output;
use overspill_rules::time::{Moment, Span};

use super::Tail;

/// No household's spare power changes by more, in watts.
const AT_MOST_W: f64 = 30_000.0;

/// A change is told to this, in watts.
const GRAIN_W: f64 = 10.0;

/// What would have started or stopped a load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Change {
    /// So many watts more (or, below zero, fewer) to spare, for so long up to the time asked about.
    Spare {
        /// Watts.
        watts: f64,
        /// For how long.
        lasting: Span,
    },
    /// No change of spare power within half an hour would have.
    None,
    /// It can't be told, since the grid is not measured as one power in watts.
    Unknown,
}

/// Looks for the least watts first, then for how short they would have been enough.
pub(super) fn smallest(home: &Home, load: LoadId, is_on: bool, tail: &Tail) -> Change {
    let Some(grid) = grid(home) else { return Change::Unknown };
    let (Some(first), Some(last)) = (tail.steps.first(), tail.steps.last()) else { return Change::None };
    let longest = last.moment - first.moment;
    let sign = if is_on { -1.0 } else { 1.0 };
    let changes = |watts: f64, lasting: Span| {
        let shift = Shift { grid, watts: sign * watts, from: last.moment - lasting };
        ends_on(tail, load, &shift) != is_on
    };
    if !changes(AT_MOST_W, longest) {
        return Change::None;
    }
    let steps = least((AT_MOST_W / GRAIN_W) as i64, |n| changes(n as f64 * GRAIN_W, longest));
    let watts = steps as f64 * GRAIN_W;
    let seconds = least((longest.0 / 1000).max(1), |s| changes(watts, Span::seconds(s)));
    Change::Spare { watts: sign * watts, lasting: Span::seconds(seconds).min(longest) }
}

/// The least of 1 to `most` that is enough, where `most` is.
fn least(most: i64, enough: impl Fn(i64) -> bool) -> i64 {
    let (mut too_few, mut enough_at) = (0, most);
    while enough_at - too_few > 1 {
        let middle = (too_few + enough_at) / 2;
        if enough(middle) { enough_at = middle } else { too_few = middle }
    }
    enough_at
}

/// The one point of the grid, with what a received number is worth in watts.
fn grid(home: &Home) -> Option<(PointId, f64)> {
    let mut points = home.points_measuring(Measures::Grid(Side::Both));
    let (id, None) = (points.next()?, points.next()) else { return None };
    let point = home.point(id);
    let unit_w = match point.unit {
        Unit::W => 1.0,
        Unit::Kw => 1000.0,
        _ => return None,
    };
    let worth_w = unit_w * point.scale * point.positive.sign();
    (worth_w != 0.0).then_some((id, worth_w))
}

/// More to spare from a moment on.
struct Shift {
    grid: (PointId, f64),
    watts: f64,
    from: Moment,
}

impl Shift {
    fn of(&self, at: Moment, input: &Input) -> Input {
        let (point, worth_w) = self.grid;
        match input {
            Input::Reading(r) if r.point == point && r.extra.is_none() && at >= self.from => {
                let mut shifted = *r;
                shifted.value -= self.watts / worth_w;
                Input::Reading(shifted)
            }
            other => other.clone(),
        }
    }
}

/// Whether the load is on at the end of the last steps, with the grid shifted.
fn ends_on(tail: &Tail, load: LoadId, shift: &Shift) -> bool {
    let mut controller = tail.before.clone();
    let mut on = controller.is_on(load);
    for step in &tail.steps {
        step.inputs.iter().for_each(|input| controller.handle(step.moment, shift.of(step.moment, input)));
        while let Some(output) = controller.poll_output() {
            if let Output::Load(report) = output
                && report.load == load
            {
                on = report.on;
            }
        }
    }
    on
}
