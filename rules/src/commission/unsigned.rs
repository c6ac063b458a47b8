//! A point that tells how much flows but not which way: it falls when export shrinks, and rises when import grows.

use super::fit::Range;
use super::response::{Edge, Response};
use super::step::What;

/// A negative level must be this clear to prove that the point has a sign, in watts.
const CLEARLY_NEGATIVE_W: f64 = 20.0;

/// A range of scales is tried in cells of this ratio.
const CELL: f64 = 1.06;

/// Whether sizes alone, with some scale of `scale`, explain every edge of every response.
pub(super) fn explains(
    responses: &[Response],
    scale: Range,
    answer: &impl Fn(What) -> Range,
    picked_up: f64,
) -> bool {
    let edges = || responses.iter().flat_map(|r| r.edges.iter());
    if edges()
        .any(|e| is_negative(e.before.watts, e.before.error_w) || is_negative(e.after.watts, e.after.error_w))
    {
        return false;
    }
    let mut low = scale.low;
    while low < scale.high {
        let cell = Range { low, high: (low * CELL).min(scale.high) };
        if responses.iter().all(|r| all_edges(r, cell, answer(r.what), picked_up)) {
            return true;
        }
        low *= CELL;
    }
    false
}

fn is_negative(watts: f64, error_w: f64) -> bool {
    watts + error_w < -CLEARLY_NEGATIVE_W
}

/// Only answers this sharp, as a share of the step, can speak against a point without a sign: under cloud its edges fall
/// in and out of zero and may look alike by chance.
const SHARP: f64 = 0.06;

/// At least half of the edges must be explained; others may have met a kettle.
fn all_edges(response: &Response, scale: Range, answer: Range, picked_up: f64) -> bool {
    if response.share.is_err() || response.error > SHARP {
        return true;
    }
    let known = Range::of(response.known.0, response.known.1);
    let expected = answer.times(known).times(scale);
    let fits = response.edges.iter().filter(|e| edge(e, expected, picked_up)).count();
    fits * 2 >= response.edges.len()
}

/// The true move is one of four: import all along, export all along, or through zero either way.
fn edge(edge: &Edge, expected: Range, picked_up: f64) -> bool {
    let (before, after) = (edge.before.watts, edge.after.watts);
    let slack = edge.error_w() + picked_up * edge.amount_w.abs();
    let wanted = expected.times(Range { low: edge.amount_w, high: edge.amount_w });
    [after - before, before - after, after + before, -after - before]
        .into_iter()
        .any(|moved| wanted.meet(Range { low: moved - slack, high: moved + slack }).is_some())
}
