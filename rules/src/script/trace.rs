//! What one evaluation of a rule reads and asks, kept beside the view while the rule runs.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use jiff::Zoned;
use rhai::{Dynamic, EvalAltResult, Position};

use super::clock::{self, Around, TimeOfDay};
use super::engine::Answer;
use super::memory::{RollingStates, RuleMemory, SustainedState};
use super::need::{Needs, Troubles};
use super::view::{BALANCE_NAMES, Known, View};
use crate::home::{Home, InputId, LoadId, PointId, SettingId, SettingValue};
use crate::request::Request;
use crate::sun::{self, SunDay};
use crate::time::{Moment, Span, WallTime};

/// What an evaluation read: its requests can be trusted for as long as these are fresh. What was read through
/// `home.known` or `home.or` is not among them, since the rule said what to do without it.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Reads {
    /// Values of the balance, in the order of [`BALANCE_NAMES`].
    pub balance: [bool; BALANCE_NAMES.len()],
    /// Points.
    pub points: Vec<PointId>,
    /// Other inputs.
    pub inputs: Vec<InputId>,
    /// Settings.
    pub settings: Vec<SettingId>,
    /// Loads of which the rule read a property (not those of which it only asked).
    pub loads: Vec<LoadId>,
    /// The wall clock.
    pub clock: bool,
}

/// Why an evaluation ended before its end.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Stop {
    /// It read a value that is not known.
    Waiting(String),
    /// It asked for something that can't be.
    Failed { message: String, help: Option<String> },
}

/// What has happened so far.
#[derive(Debug, Default)]
pub(super) struct Trace {
    pub(super) requests: Vec<(LoadId, Request, String)>,
    pub(super) reads: Reads,
    pub(super) wake: Option<Moment>,
    pub(super) sustained: BTreeMap<String, SustainedState>,
    pub(super) rolling: RollingStates,
    /// Needs as they stood before this evaluation.
    pub(super) needs_before: Needs,
    /// Needs that this evaluation asked for.
    pub(super) needs: Needs,
    /// Needs that can't be met.
    pub(super) troubles: Troubles,
    /// What the rule tells people.
    pub(super) tells: Vec<String>,
    pub(super) stop: Option<Stop>,
}

/// What is dear to work out and stays the same for a while.
#[derive(Debug, Default)]
pub(super) struct Memos {
    sun: sun::Memo,
    clock: clock::Memo,
}

/// One evaluation: the view, the home's names and the trace. The objects that a script holds share it.
#[derive(Debug)]
pub(super) struct Evaluation {
    pub(super) view: Arc<View>,
    pub(super) home: Arc<Home>,
    memos: Arc<Memos>,
    trace: Mutex<Trace>,
}

impl Evaluation {
    pub(super) fn new(
        view: &Arc<View>,
        home: &Arc<Home>,
        memos: &Arc<Memos>,
        memory: &RuleMemory,
    ) -> Evaluation {
        let (sustained, rolling) = (memory.sustained.clone(), memory.rolling.clone());
        let needs_before = memory.needs.clone();
        let trace = Mutex::new(Trace { sustained, rolling, needs_before, ..Trace::default() });
        Evaluation { view: Arc::clone(view), home: Arc::clone(home), memos: Arc::clone(memos), trace }
    }

    /// When the clock showed `time` last and what happens next.
    pub(super) fn around(&self, local: &Zoned, time: TimeOfDay) -> Around {
        self.memos.clock.around(local, time)
    }

    /// When the sun rises and sets on the date of `local`.
    pub(super) fn sun_day(&self, local: &Zoned, place: (f64, f64)) -> Option<SunDay> {
        self.memos.sun.day(local, place)
    }

    pub(super) fn trace(&self) -> MutexGuard<'_, Trace> {
        self.trace.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Ends the evaluation because a value is not known. The script can't catch it.
    pub(super) fn wait<T>(&self, why: String) -> Answer<T> {
        self.stop(Stop::Waiting(why))
    }

    /// Ends the evaluation as a failure. The script can't catch it.
    pub(super) fn fail<T>(&self, message: String, help: Option<String>) -> Answer<T> {
        self.stop(Stop::Failed { message, help })
    }

    fn stop<T>(&self, stop: Stop) -> Answer<T> {
        self.trace().stop.get_or_insert(stop);
        Err(EvalAltResult::ErrorTerminated(Dynamic::UNIT, Position::NONE).into())
    }

    /// Wakes the rule when wall time `at` comes, unless it is woken before.
    pub(super) fn wake_at(&self, at: Option<WallTime>) {
        let (Some(wall), Some(at)) = (self.view.wall, at) else { return };
        self.wake_in(at - wall);
    }

    /// Wakes the rule after `span`, unless it is woken before.
    pub(super) fn wake_in(&self, span: Span) {
        let at = self.view.now + span;
        let wake = &mut self.trace().wake;
        *wake = Some(wake.map_or(at, |before| before.min(at)));
    }

    pub(super) fn balance(&self, place: usize) -> Answer<f64> {
        if let Some(read) = self.trace().reads.balance.get_mut(place) {
            *read = true;
        }
        match self.known(Name::Balance(place)).value {
            Some(value) => Ok(value),
            None => self.wait(self.unknown_words(Name::Balance(place))),
        }
    }

    pub(super) fn point(&self, id: PointId) -> Answer<f64> {
        note(&mut self.trace().reads.points, id);
        match self.known(Name::Point(id)).value {
            Some(value) => Ok(value),
            None => self.wait(self.unknown_words(Name::Point(id))),
        }
    }

    pub(super) fn input(&self, id: InputId) -> Answer<f64> {
        note(&mut self.trace().reads.inputs, id);
        match self.known(Name::Input(id)).value {
            Some(value) => Ok(value),
            None => self.wait(self.unknown_words(Name::Input(id))),
        }
    }

    /// What a setting is; noted as read, for the chain of a decision.
    pub(super) fn setting(&self, id: SettingId) -> Option<&SettingValue> {
        note(&mut self.trace().reads.settings, id);
        self.view.settings.get(usize::from(id.0))
    }

    pub(super) fn read_load(&self, id: LoadId) {
        note(&mut self.trace().reads.loads, id);
    }

    /// The value behind a name for a rule that copes with its being unknown. It has read it all the same: a request
    /// that rests on it is no matter of the clock alone.
    pub(super) fn looked_at(&self, name: Name) -> Known {
        match name {
            Name::Balance(place) => {
                if let Some(read) = self.trace().reads.balance.get_mut(place) {
                    *read = true;
                }
            }
            Name::Point(id) => note(&mut self.trace().reads.points, id),
            Name::Input(id) => note(&mut self.trace().reads.inputs, id),
        }
        self.known(name)
    }

    /// The value behind a name, without noting that it was read.
    fn known(&self, name: Name) -> Known {
        let found = match name {
            Name::Balance(place) => self.view.balance.get(place),
            Name::Point(id) => self.view.points.get(usize::from(id.0)),
            Name::Input(id) => self.view.inputs.get(usize::from(id.0)),
        };
        // A value that is no number tells nothing.
        match found {
            Some(known) if known.value.is_none_or(f64::is_finite) => *known,
            Some(known) => Known { value: None, age: known.age },
            None => Known::NEVER,
        }
    }

    fn unknown_words(&self, name: Name) -> String {
        let age = self.known(name).age;
        let what = match name {
            Name::Balance(place) => match BALANCE_NAMES.get(place).copied().unwrap_or_default() {
                "grid_w" | "import_w" | "export_w" => "grid reading".to_owned(),
                "solar_w" => "solar reading".to_owned(),
                "battery_w" => "battery reading".to_owned(),
                "house_w" => return derived_words("what the house uses", age),
                "loads_w" => return derived_words("what the loads draw", age),
                "base_w" => return derived_words("what the house uses without its loads", age),
                _ => return derived_words("spare power", age),
            },
            Name::Point(id) => {
                format!("reading of `{}`", name_at(self.home.points.iter().map(|p| &p.id), id.0))
            }
            Name::Input(id) => {
                format!("reading of `{}`", name_at(self.home.inputs.iter().map(|i| &i.id), id.0))
            }
        };
        match age {
            Some(age) => format!("no {what} for {}", whole_seconds(age)),
            None => format!("no {what} yet"),
        }
    }
}

/// A value that rules read by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Name {
    /// Of the balance, by place in [`BALANCE_NAMES`].
    Balance(usize),
    /// A point.
    Point(PointId),
    /// Another input.
    Input(InputId),
}

impl Name {
    /// Finds `name` among the balance, the points and the inputs, in this order.
    pub(super) fn find(home: &Home, name: &str) -> Option<Name> {
        let balance = BALANCE_NAMES.iter().position(|n| *n == name).map(Name::Balance);
        balance
            .or_else(|| home.point_named(name).map(Name::Point))
            .or_else(|| home.input_named(name).map(Name::Input))
    }

    /// Every name that [`Name::find`] finds.
    pub(super) fn all(home: &Home) -> Vec<&str> {
        let points = home.points.iter().map(|p| p.id.as_str());
        let inputs = home.inputs.iter().map(|i| i.id.as_str());
        BALANCE_NAMES.into_iter().chain(points).chain(inputs).collect()
    }
}

fn name_at<'a>(mut names: impl Iterator<Item = &'a String>, place: u16) -> &'a str {
    names.nth(usize::from(place)).map_or("?", String::as_str)
}

fn derived_words(what: &str, age: Option<Span>) -> String {
    match age {
        Some(age) => format!("{what} is not known: the last reading is {} old", whole_seconds(age)),
        None => format!("{what} is not known yet"),
    }
}

/// Whole seconds, so that words do not flicker.
fn whole_seconds(age: Span) -> Span {
    Span(age.0 / 1000 * 1000)
}

fn note<T: PartialEq>(list: &mut Vec<T>, item: T) {
    if !list.contains(&item) {
        list.push(item);
    }
}
