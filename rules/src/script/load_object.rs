//! A load as a rule holds it: what it does, and what to ask of it.

use std::sync::Arc;

use rhai::{Dynamic, Engine, Map};

use super::engine::{Answer, number};
use super::explain::type_word;
use super::nearest::suggest;
use super::trace::Evaluation;
use super::view::LoadView;
use crate::home::{Load, LoadId};
use crate::limits;
use crate::request::{Request, SpareTerms};
use crate::time::{Span, WallTime};

/// `home.load("..")`.
#[derive(Debug, Clone)]
pub(super) struct LoadObject {
    pub(super) evaluation: Arc<Evaluation>,
    pub(super) load: LoadId,
}

/// The keys of the terms of `take_spare`.
pub(super) const TERMS: [&str; 4] = ["at_least_w", "at_most_w", "keep_w", "grid_up_to_w"];

/// Registers what a load can tell and be asked.
pub(super) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<LoadObject>("Load");
    engine.register_get("on", |load: &mut LoadObject| load.view().map(|v| v.on));
    engine.register_get("setpoint_w", |load: &mut LoadObject| load.view().map(|v| v.setpoint_w));
    engine.register_get("draw_w", LoadObject::draw_w);
    engine.register_get("plugged", LoadObject::plugged);
    engine.register_get("on_for", |load: &mut LoadObject| load.minutes_as(true));
    engine.register_get("off_for", |load: &mut LoadObject| load.minutes_as(false));
    engine.register_fn("energy_since", LoadObject::energy_since);
    engine.register_fn("run_time_since", LoadObject::run_time_since);
    engine.register_fn("take_spare", |load: &mut LoadObject, why: &str| {
        load.ask(Request::TakeSpare(SpareTerms::default()), why)
    });
    engine.register_fn("take_spare", LoadObject::take_spare);
    engine.register_fn("run", |load: &mut LoadObject, why: &str| load.ask(Request::Run, why));
    engine.register_fn("stop", |load: &mut LoadObject, why: &str| load.ask(Request::Stop, why));
    engine.register_fn("run_at_w", |load: &mut LoadObject, watts: f64, why: &str| {
        load.run_at(Request::RunAtW, watts, why)
    });
    engine.register_fn("run_at_w", |load: &mut LoadObject, watts: i64, why: &str| {
        load.run_at(Request::RunAtW, watts as f64, why)
    });
    engine.register_fn("run_at_a", |load: &mut LoadObject, amps: f64, why: &str| {
        load.run_at(Request::RunAtA, amps, why)
    });
    engine.register_fn("run_at_a", |load: &mut LoadObject, amps: i64, why: &str| {
        load.run_at(Request::RunAtA, amps as f64, why)
    });
}

impl LoadObject {
    pub(super) fn described(&self) -> Answer<&Load> {
        match self.evaluation.home.loads.get(usize::from(self.load.0)) {
            Some(load) => Ok(load),
            None => self.evaluation.fail("this load is not part of the home".to_owned(), None),
        }
    }

    pub(super) fn view(&self) -> Answer<&LoadView> {
        self.evaluation.read_load(self.load);
        match self.evaluation.view.loads.get(usize::from(self.load.0)) {
            Some(view) => Ok(view),
            None => self.evaluation.wait("nothing is known of this load yet".to_owned()),
        }
    }

    fn draw_w(&mut self) -> Answer<f64> {
        match self.view()?.draw_w.filter(|w| w.is_finite()) {
            Some(watts) => Ok(watts),
            None => self.evaluation.wait(format!("what `{}` draws is not known", self.described()?.id)),
        }
    }

    fn plugged(&mut self) -> Answer<bool> {
        let load = self.described()?;
        if !load.reports_plugged {
            let help = format!("give `feedback.plugged` of load `{}` in the home file", load.id);
            return self
                .evaluation
                .fail(format!("`{}` does not report whether it is plugged in", load.id), Some(help));
        }
        match self.view()?.plugged {
            Some(plugged) => Ok(plugged),
            None => {
                self.evaluation.wait(format!("`{}` has not reported yet whether it is plugged in", load.id))
            }
        }
    }

    /// Minutes since it went on or off; 0 while it is the other.
    fn minutes_as(&self, on: bool) -> Answer<f64> {
        let view = self.view()?;
        Ok(if view.on == on { view.since.as_seconds() / 60.0 } else { 0.0 })
    }

    pub(super) fn energy_since(&mut self, time: &str) -> Answer<f64> {
        let at = self.last(time)?;
        let view = self.view()?;
        Ok((view.energy_kwh - view.log.at(at).0).max(0.0))
    }

    fn run_time_since(&mut self, time: &str) -> Answer<f64> {
        let at = self.last(time)?;
        let view = self.view()?;
        Ok((view.run_time - view.log.at(at).1).max(Span::ZERO).as_hours())
    }

    /// When the clock last showed `time`.
    fn last(&self, time: &str) -> Answer<WallTime> {
        let time = self.evaluation.time_of_day(time)?;
        let now = self.evaluation.local()?;
        let around = self.evaluation.around(&now, time);
        self.evaluation.wake_at(around.next);
        match around.last {
            Some(at) => Ok(at),
            None => self.evaluation.wait("the clock is not set yet".to_owned()),
        }
    }

    fn take_spare(&mut self, terms: Map, why: &str) -> Answer<()> {
        match spare_terms(&terms) {
            Ok(terms) => self.ask(Request::TakeSpare(terms), why),
            Err((message, help)) => self.evaluation.fail(message, help),
        }
    }

    fn run_at(&mut self, request: fn(f64) -> Request, amount: f64, why: &str) -> Answer<()> {
        match amount_problem(amount) {
            None => self.ask(request(amount), why),
            Some(problem) => {
                let load = &self.described()?.id;
                self.evaluation.fail(format!("`{load}` can't run at {problem}"), None)
            }
        }
    }

    /// Keeps the request; the last one for a load counts.
    pub(super) fn ask(&mut self, request: Request, why: &str) -> Answer<()> {
        let why = why.trim();
        if why.is_empty() {
            let help = "say why in a few words: people read them".to_owned();
            return self.evaluation.fail("the request has no reason".to_owned(), Some(help));
        }
        let reason = shortened(why);
        let mut trace = self.evaluation.trace();
        match trace.requests.iter_mut().find(|(load, ..)| *load == self.load) {
            Some(before) => *before = (self.load, request, reason),
            None => trace.requests.push((self.load, request, reason)),
        }
        Ok(())
    }
}

/// A text cut to what people read at a glance.
pub(super) fn shortened(why: &str) -> String {
    if why.len() <= limits::REASON_CHARS {
        return why.to_owned();
    }
    let mut letters = why.chars();
    let mut kept: String = letters.by_ref().take(limits::REASON_CHARS).collect();
    if letters.next().is_some() {
        kept.pop();
        kept.push('…');
    }
    kept
}

type Refused = (String, Option<String>);

fn spare_terms(map: &Map) -> Result<SpareTerms, Refused> {
    let mut terms = SpareTerms::default();
    for (key, value) in map {
        let amount = term(key, value)?;
        match key.as_str() {
            "at_least_w" => terms.at_least_w = Some(amount),
            "at_most_w" => terms.at_most_w = Some(amount),
            "keep_w" => terms.keep_w = amount,
            "grid_up_to_w" => terms.grid_up_to_w = amount,
            _ => return Err((format!("`take_spare` has no term `{key}`"), suggest(key, TERMS))),
        }
    }
    match (terms.at_least_w, terms.at_most_w) {
        (Some(least), Some(most)) if least > most => {
            Err((format!("at_least_w = {least} is more than at_most_w = {most}"), None))
        }
        _ => Ok(terms),
    }
}

fn term(key: &str, value: &Dynamic) -> Result<f64, Refused> {
    let Some(amount) = number(value) else {
        return Err((
            format!("`{key}` must be a number of watts, not {}", type_word(value.type_name())),
            None,
        ));
    };
    match amount_problem(amount) {
        None => Ok(amount),
        Some(problem) => Err((format!("`{key}` can't be {problem}"), None)),
    }
}

/// Why an amount can't be asked for, or `None`.
fn amount_problem(amount: f64) -> Option<String> {
    if amount.is_nan() {
        Some("a value that is no number (0/0 or the like)".to_owned())
    } else if amount.is_infinite() {
        Some("an infinite amount (a division by zero or an overflow)".to_owned())
    } else if amount < 0.0 {
        Some(format!("a negative amount ({amount})"))
    } else {
        None
    }
}
