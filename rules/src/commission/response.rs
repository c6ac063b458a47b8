//! How a point answered all switchings of one kind, as a share of what was switched.

use crate::time::{Span, WallTime};

use super::background::Background;
use super::step::{Act, What};
use super::trace::{Level, Trace, median};

/// Readings this close before a switching are not trusted to be before it.
pub(super) const GUARD: Span = Span::seconds(2);

/// An edge whose error is beyond this share of its step is no edge: the background moved as well.
const CALM_SHARE: f64 = 0.2;

/// What even a good clamp's answer may differ by from one switching to the next, as a share: voltage and temperature.
const REPEATS_WITHIN: f64 = 0.05;

/// Small devices report whole watts, and a level is two of them apart at worst.
const DIGIT_W: f64 = 2.0;

/// One switching as one point saw it, in watts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    pub(super) before: Level,
    pub(super) after: Level,
    /// What was switched, signed as the flows are followed.
    pub(super) amount_w: f64,
}

impl Edge {
    /// What the point moved by, as a share of the step.
    fn share(&self) -> f64 {
        (self.after.watts - self.before.watts) / self.amount_w
    }

    /// How wrong the move may be, in watts.
    pub(super) fn error_w(&self) -> f64 {
        self.before.error_w + self.after.error_w + DIGIT_W
    }

    fn error_share(&self) -> f64 {
        self.error_w() / self.amount_w.abs()
    }

    /// Whether the background stood still beside the step, as a point with this [`gain`] shows it.
    fn is_calm(&self, gain: f64) -> bool {
        self.error_share() <= CALM_SHARE * gain
    }
}

/// A point's answer to one kind of step.
#[derive(Debug, Clone, PartialEq)]
pub struct Response {
    /// What was switched.
    pub what: What,
    /// Watts of the step, the middle of the repeats.
    pub step_w: f64,
    /// What the point moved by, as a share of the step, or why that can't be told.
    pub share: Result<f64, Unusable>,
    /// The true share lies within this much of it.
    pub error: f64,
    /// The true step is at least and at most these shares of the expected one.
    pub known: (f64, f64),
    /// How many switchings were seen and used.
    pub used: usize,
    /// How many were made.
    pub made: usize,
    pub(super) edges: Vec<Edge>,
}

/// Why an answer can't be told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unusable {
    /// Too few readings around the switchings.
    Silent,
    /// The background moved too much: a cloud, a kettle.
    Restless,
    /// The repeats contradict each other.
    Contradicting,
    /// Not repeated often enough.
    TooFew,
}

/// How often a step must have been seen. A solar source takes minutes to return, so two must do.
pub(super) fn fewest(what: What) -> usize {
    match what {
        What::SolarOff => 2,
        _ => 3,
    }
}

/// The answers of `trace` to every kind of step among `acts`, in order of kind.
pub fn responses(trace: &Trace, acts: &[Act]) -> Vec<Response> {
    let mut kinds: Vec<What> = acts.iter().filter(|a| a.counts()).map(|a| a.what).collect();
    kinds.sort_unstable();
    kinds.dedup();
    let gain = gain(trace, acts, &kinds);
    kinds.into_iter().map(|what| response(trace, acts, what, gain)).collect()
}

/// What the point makes of a step that it answers most, as a share; at least 1. A wrong unit magnifies the background as it
/// does the step: what is calm must be told by the point's own measure, or only what a kettle has moved would count.
fn gain(trace: &Trace, acts: &[Act], kinds: &[What]) -> f64 {
    let of = |what: &What| {
        let own = acts.iter().filter(|a| a.counts() && a.what == *what);
        let edges = own.filter_map(|act| edge_within(trace, act, acts, trace.window()));
        median(&edges.map(|e| e.share().abs()).collect::<Vec<_>>())
    };
    kinds.iter().map(of).fold(1.0, f64::max)
}

fn response(trace: &Trace, acts: &[Act], what: What, gain: f64) -> Response {
    let background = Background::of(trace, acts, what);
    let of_kind: Vec<&Act> = acts.iter().filter(|a| a.counts() && a.what == what).collect();
    let seen: Vec<Edge> = of_kind.iter().filter_map(|act| edge(trace, act, acts, gain)).collect();
    let sizes: Vec<f64> = of_kind.iter().map(|a| a.amount.watts).collect();
    let mut calm: Vec<Edge> = seen.iter().copied().filter(|e| e.is_calm(gain)).collect();
    let low = of_kind.iter().map(|a| a.amount.low).fold(f64::INFINITY, f64::min);
    let high = of_kind.iter().map(|a| a.amount.high).fold(0.0, f64::max);
    let (share, error, used) = match concordant(&mut calm, seen.len(), fewest(what), &background, gain) {
        Ok((share, error, used)) => (Ok(share), error, used),
        Err(why) => (Err(why), f64::INFINITY, 0),
    };
    Response {
        what,
        step_w: median(&sizes),
        share,
        error,
        known: (low, high),
        used,
        made: of_kind.len(),
        edges: calm,
    }
}

/// The levels around one switching: from whole windows where those are calm, else from the halves next to it, which a
/// kettle meets half as often.
fn edge(trace: &Trace, act: &Act, acts: &[Act], gain: f64) -> Option<Edge> {
    let whole = edge_within(trace, act, acts, trace.window());
    if whole.is_some_and(|e| e.is_calm(gain)) {
        return whole;
    }
    edge_within(trace, act, acts, Span(trace.window().0 / 2)).filter(|e| e.is_calm(gain)).or(whole)
}

/// The levels around one switching, none of them beyond the neighbouring switchings.
fn edge_within(trace: &Trace, act: &Act, acts: &[Act], window: Span) -> Option<Edge> {
    let earlier = acts.iter().filter(|a| a.at < act.at).map(|a| a.at + a.settle).max_by_key(|t| t.0);
    let later = acts.iter().filter(|a| a.at > act.at).map(|a| a.at).min_by_key(|t| t.0);
    let end = WallTime(act.at.0 - GUARD.0);
    let start = WallTime(end.0 - window.0);
    let begin = WallTime(act.at.0 + act.settle.0);
    let stop = begin + window;
    let before = trace.level(earlier.map_or(start, |t| WallTime(t.0.max(start.0))), end)?;
    let after = trace.level(begin, later.map_or(stop, |t| WallTime(t.0.min(stop.0))))?;
    Some(Edge { before, after, amount_w: act.sense() * act.amount.watts })
}

/// The share on which the repeats agree, its error, and how many were used. The edges get the error that the background
/// may hide in them.
fn concordant(
    calm: &mut Vec<Edge>,
    seen: usize,
    fewest: usize,
    background: &Background,
    gain: f64,
) -> Result<(f64, f64, usize), Unusable> {
    if seen < fewest {
        return Err(if seen == 0 { Unusable::Silent } else { Unusable::TooFew });
    }
    if calm.len() < fewest {
        return Err(Unusable::Restless);
    }
    let agreeing = agreeing(calm, gain);
    let step_w = median(&calm.iter().map(|e| e.amount_w.abs()).collect::<Vec<_>>());
    let tolerance_w = 2.0 * REPEATS_WITHIN * step_w * gain;
    let moves = background.calm(CALM_SHARE * step_w * gain);
    let hidden_w = moves.hidden_w(seen, agreeing.len().max(fewest), tolerance_w);
    for edge in calm.iter_mut() {
        edge.after.error_w += hidden_w;
    }
    if agreeing.len() < fewest || (calm.len() - agreeing.len()) * 3 > calm.len() {
        return Err(Unusable::Contradicting);
    }
    let low = agreeing.iter().copied().fold(f64::INFINITY, f64::min);
    let high = agreeing.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if moves.drowns(seen, agreeing.len(), tolerance_w, (high - low) * step_w) {
        calm.clear();
        return Err(Unusable::Restless);
    }
    let typical = median(&calm.iter().map(Edge::error_share).collect::<Vec<_>>());
    let middle = median(&agreeing);
    let (low, high) = (low.min(middle - typical), high.max(middle + typical));
    Ok((f64::midpoint(low, high), (high - low) / 2.0, agreeing.len()))
}

/// The shares of the edges that agree with the middle one.
fn agreeing(calm: &[Edge], gain: f64) -> Vec<f64> {
    let middle = median(&calm.iter().map(Edge::share).collect::<Vec<_>>());
    let typical = median(&calm.iter().map(Edge::error_share).collect::<Vec<_>>());
    let within = |e: &Edge| e.error_share() + typical + REPEATS_WITHIN * gain;
    calm.iter().filter(|e| (e.share() - middle).abs() <= within(e)).map(Edge::share).collect()
}

impl Response {
    /// The levels before and after every switching that could be used, in watts.
    pub fn edges(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.edges.iter().map(|e| (e.before.watts, e.after.watts))
    }

    /// The true share lies between these, where it can be told.
    pub fn bounds(&self) -> Option<(f64, f64)> {
        self.share.ok().map(|share| (share - self.error, share + self.error))
    }
}
