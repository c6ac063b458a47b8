//! All shadows of a home: what the live home heard and did goes in, what is to be published comes out.

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::home::Home;
use overspill_rules::input::{Input, Role, RuleSet};
use overspill_rules::kept::Kept;
use overspill_rules::output::{Output, Record};
use overspill_rules::time::{Moment, WallTime};

use super::one::One;
use super::standing::Standing;
use crate::config::{Config, RulesConfig};
use crate::store::{KeptShadow, StoreHandle};

/// Wall and monotonic time may drift apart by so much from one step to the next, in milliseconds; more is a clock that
/// was set, and what lies between is no time that passed.
const STEPPED_MS: i64 = 1000;

/// One step of the live home.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// The monotonic time.
    pub now: Moment,
    /// The wall clock; `None` while it is not believed.
    pub wall: Option<WallTime>,
    /// What was handed to the live controller.
    pub inputs: Vec<Input>,
    /// What it gave, as far as [`matters`] says.
    pub outputs: Vec<Output>,
    /// Steps before this one were left out, since the shadows were too slow.
    pub missed: bool,
}

/// What is to be published of one shadow. There is no way to say anything else: no load, no topic, no command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct News {
    /// Its name.
    pub shadow: String,
    /// JSON.
    pub body: String,
}

/// Whether an output of the live controller matters to shadows.
pub fn matters(output: &Output) -> bool {
    match output {
        Output::Load(_) => true,
        Output::Record(record) => matches!(
            record,
            Record::Setpoint { .. }
                | Record::Memory { .. }
                | Record::Learnt { .. }
                | Record::Override { .. }
                | Record::OutOfService { .. }
                | Record::Setting { .. }
        ),
        _ => false,
    }
}

/// All shadows of a home. No clock of its own: tests drive it in virtual time.
pub struct Crew {
    home: Arc<Home>,
    config: RulesConfig,
    store: StoreHandle,
    live: Option<RuleSet>,
    shadows: Vec<One>,
    standing: Standing,
    commands: bool,
    /// Monotonic and wall time of the last step.
    last: Option<(Moment, WallTime)>,
    now: Moment,
}

impl Crew {
    /// The shadows of the home file, with what is known from before.
    pub fn new(
        config: &Config,
        kept: Kept,
        books: &BTreeMap<String, KeptShadow>,
        store: StoreHandle,
    ) -> Crew {
        let shadows = config.shadows.iter().map(|s| One::new(s.clone(), books.get(&s.name)));
        Crew {
            home: Arc::new(config.home.clone()),
            config: config.rules.clone(),
            store,
            live: None,
            shadows: shadows.collect(),
            standing: Standing::new(kept),
            commands: false,
            last: None,
            now: Moment(0),
        }
    }

    /// Looks whether files of a shadow changed.
    pub fn look(&mut self) {
        let Some(live) = &self.live else { return };
        self.shadows.iter_mut().for_each(|one| one.look(&self.home, live, false, &self.config));
    }

    /// Takes a step of the live home; gives what is to be published.
    pub fn step(&mut self, step: &Step) -> Vec<News> {
        self.now = step.now;
        step.inputs.iter().for_each(|input| self.take_orders(input));
        if step.missed || self.stepped(step) {
            self.pause();
        }
        match step.wall.filter(|_| self.commands) {
            Some(wall) => {
                let heard = (step.inputs.as_slice(), step.outputs.as_slice());
                for one in &mut self.shadows {
                    one.step(&self.home, wall, heard, &self.standing);
                }
            }
            None => self.pause(),
        }
        self.last = step.wall.map(|wall| (step.now, wall));
        step.inputs.iter().for_each(|input| self.standing.hear(input));
        step.outputs.iter().for_each(|output| self.standing.see(&self.home, output));
        self.keep(false);
        self.news(step.wall)
    }

    /// Keeps every account; the daemon ends.
    pub fn end(&mut self) {
        self.keep(true);
    }

    fn take_orders(&mut self, input: &Input) {
        match input {
            Input::Role(role) => self.commands = *role == Role::Command,
            Input::Rules(set) => {
                self.live = Some(set.clone());
                self.shadows.iter_mut().for_each(|one| one.look(&self.home, set, true, &self.config));
            }
            _ => {}
        }
    }

    fn stepped(&self, step: &Step) -> bool {
        let Some(((then, was), wall)) = self.last.zip(step.wall) else { return false };
        let (passed, shown) = ((step.now - then).0, (wall - was).0);
        (shown - passed).abs() > STEPPED_MS
    }

    fn pause(&mut self) {
        self.shadows.iter_mut().for_each(|one| one.pause(&self.home));
    }

    fn keep(&mut self, ends: bool) {
        let Some((_, at)) = self.last else { return };
        self.shadows.iter_mut().for_each(|one| one.keep(&self.home, &self.store, self.now, at, ends));
    }

    fn news(&mut self, wall: Option<WallTime>) -> Vec<News> {
        let waits = match (self.commands, wall) {
            (false, _) => Some("this instance does not command the loads"),
            (true, None) => Some("the clock of this computer is not believed"),
            _ => None,
        };
        let (home, now) = (&self.home, self.now);
        let each = self.shadows.iter_mut().filter_map(|one| {
            let body = one.news(home, now, wall, waits)?;
            Some(News { shadow: one.name().to_owned(), body })
        });
        each.collect()
    }
}
