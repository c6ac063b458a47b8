//! What a rule keeps by name of the values that it looked at: for how long a condition has held, and the mean, least and
//! greatest of the last minutes.

use std::collections::VecDeque;

use rhai::{Engine, NativeCallContext};

use super::engine::Answer;
use super::memory::SustainedState;
use super::objects::HomeObject;
use crate::limits;
use crate::time::{Moment, Span};

/// Values of the last minutes, in parts of the window.
#[derive(Debug, Clone, PartialEq, Default)]
pub(super) struct Rolling {
    parts: VecDeque<Part>,
    last: Option<(Moment, f64)>,
}

/// One part of a window.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    start: Moment,
    end: Moment,
    /// Value times milliseconds.
    sum: f64,
    least: f64,
    greatest: f64,
}

impl Rolling {
    /// Takes the value of now. A value stands until the next look; what was longer ago than `window`, or before a gap in
    /// looking, no longer counts.
    fn take(&mut self, now: Moment, value: f64, window: Span) {
        match self.last {
            Some((then, _)) if now - then > limits::SUSTAINED_LOOK => self.parts.clear(),
            Some((then, stood)) if now > then => self.stand(then, now, stood, window),
            _ => {}
        }
        self.last = Some((now, value));
        let from = now - window;
        while self.parts.front().is_some_and(|p| p.end <= from) {
            self.parts.pop_front();
        }
    }

    fn stand(&mut self, from: Moment, to: Moment, value: f64, window: Span) {
        let weight = (to - from).0 as f64;
        let longest = Span(window.0 / limits::ROLLING_PARTS as i64);
        match self.parts.back_mut() {
            Some(part) if to - part.start <= longest => {
                part.end = to;
                part.sum += value * weight;
                part.least = part.least.min(value);
                part.greatest = part.greatest.max(value);
            }
            _ => {
                self.parts.push_back(Part {
                    start: from,
                    end: to,
                    sum: value * weight,
                    least: value,
                    greatest: value,
                });
                if self.parts.len() > limits::ROLLING_PARTS + 1 {
                    self.parts.pop_front();
                }
            }
        }
    }

    #[cfg(test)]
    pub(super) fn parts(&self) -> usize {
        self.parts.len()
    }

    fn now(&self) -> f64 {
        self.last.map_or(0.0, |(_, value)| value)
    }

    fn mean(&self) -> f64 {
        let time: f64 = self.parts.iter().map(|p| (p.end - p.start).0 as f64).sum();
        let sum: f64 = self.parts.iter().map(|p| p.sum).sum();
        if time > 0.0 { sum / time } else { self.now() }
    }

    fn least(&self) -> f64 {
        self.parts.iter().map(|p| p.least).fold(self.now(), f64::min)
    }

    fn greatest(&self) -> f64 {
        self.parts.iter().map(|p| p.greatest).fold(self.now(), f64::max)
    }
}

/// What a word gives of the values kept.
type Gives = fn(&Rolling) -> f64;

/// Registers the filters.
pub(super) fn register(engine: &mut Engine) {
    engine.register_fn("sustained", sustained);
    let all: [(&str, Gives); 3] = [
        ("rolling_mean", Rolling::mean),
        ("rolling_min", Rolling::least),
        ("rolling_max", Rolling::greatest),
    ];
    for (name, gives) in all {
        engine.register_fn(name, move |context: NativeCallContext, key: &str, value: f64, window: &str| {
            rolling(&context, (name, key), value, window, gives)
        });
        engine.register_fn(name, move |context: NativeCallContext, key: &str, value: i64, window: &str| {
            rolling(&context, (name, key), value as f64, window, gives)
        });
    }
}

fn home(context: &NativeCallContext, word: &str) -> Answer<HomeObject> {
    match context.tag().and_then(|tag| tag.read_lock::<HomeObject>().map(|home| home.clone())) {
        Some(home) => Ok(home),
        None => Err(format!("`{word}` is for rules only").into()),
    }
}

/// Whether `condition` has held at every look for `span`. A wait starts afresh when the rule did not look for
/// [`limits::SUSTAINED_LOOK`], since nobody knows what was in between.
fn sustained(context: NativeCallContext, name: &str, condition: bool, span: &str) -> Answer<bool> {
    let home = home(&context, "sustained")?;
    let evaluation = &home.0;
    let span = Span::parse(span).or_else(|message| evaluation.fail(message, None))?;
    let now = evaluation.view.now;
    let mut trace = evaluation.trace();
    if !condition {
        trace.sustained.remove(name);
        return Ok(false);
    }
    if trace.sustained.len() >= limits::SUSTAINED_NAMES && !trace.sustained.contains_key(name) {
        drop(trace);
        return evaluation
            .fail(format!("a rule may have {} waits of `sustained`", limits::SUSTAINED_NAMES), None);
    }
    let state = trace.sustained.entry(name.to_owned()).or_insert(SustainedState { since: now, seen: now });
    if now - state.seen > limits::SUSTAINED_LOOK {
        state.since = now;
    }
    state.seen = now;
    let left = span - (now - state.since);
    drop(trace);
    if left > Span::ZERO {
        evaluation.wake_in(left);
    }
    Ok(left <= Span::ZERO)
}

fn rolling(
    context: &NativeCallContext,
    (word, name): (&'static str, &str),
    value: f64,
    window: &str,
    gives: Gives,
) -> Answer<f64> {
    let home = home(context, word)?;
    let evaluation = &home.0;
    let window = Span::parse(window).or_else(|message| evaluation.fail(message, None))?;
    if window < limits::ROLLING_SHORTEST || window > limits::ROLLING_LONGEST {
        let (least, most) = (limits::ROLLING_SHORTEST, limits::ROLLING_LONGEST);
        return evaluation.fail(format!("`{word}` looks back {least} to {most}, not {window}"), None);
    }
    if !value.is_finite() {
        return evaluation.fail(format!("`{word}` can't take {value}"), None);
    }
    let mut trace = evaluation.trace();
    let key = (word, name.to_owned());
    if trace.rolling.len() >= limits::ROLLING_NAMES && !trace.rolling.contains_key(&key) {
        drop(trace);
        return evaluation.fail(format!("a rule may keep {} rolling values", limits::ROLLING_NAMES), None);
    }
    let state = trace.rolling.entry(key).or_default();
    state.take(evaluation.view.now, value, window);
    Ok(gives(state))
}
