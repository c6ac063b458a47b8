//! One shadow: its rules, its history, its books.

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::home::Home;
use overspill_rules::input::{Input, RuleSet};
use overspill_rules::kept::KeptMemory;
use overspill_rules::output::{Limit, Output, Record, RuleState};
use overspill_rules::script::Program;
use overspill_rules::time::{Moment, Span, WallTime};
use overspill_rules::whatif::{State, WhatIf};

use super::books::Books;
use super::layer::{laid_over, mark, own_files};
use super::standing::Standing;
use super::told;
use crate::config::{RulesConfig, ShadowConfig};
use crate::daemon::RuleFiles;
use crate::store::{KeptShadow, StoreHandle};

/// Told at least this often.
const TELL_EVERY: Span = Span::minutes(1);

/// Kept this often: an account of days may lose a quarter of an hour to a power cut, and a memory card is spared.
const KEEP_EVERY: Span = Span::minutes(15);

/// One shadow beside the live rules.
pub(super) struct One {
    config: ShadowConfig,
    files: RuleFiles,
    own: RuleSet,
    /// Why there are no rules to run.
    broken: Option<String>,
    /// They could not be read when they were last looked at.
    unreadable: bool,
    rules: RuleSet,
    /// Whether its rules read the same as the live ones.
    same: bool,
    mark: String,
    since: Option<WallTime>,
    /// The books of histories that are over.
    past: Books,
    memory: BTreeMap<String, KeptMemory>,
    history: Option<WhatIf>,
    /// What was told last, and when.
    told: Option<(Moment, Told)>,
    kept: Moment,
}

/// What is told at once when it changes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Told {
    state: &'static str,
    message: Option<String>,
    on: Vec<bool>,
}

impl One {
    pub(super) fn new(config: ShadowConfig, kept: Option<&KeptShadow>) -> One {
        let files = RuleFiles::new(&own_files(&config));
        let mut one = One {
            config,
            files,
            own: RuleSet::default(),
            broken: None,
            unreadable: false,
            rules: RuleSet::default(),
            same: false,
            mark: String::new(),
            since: None,
            past: Books::default(),
            memory: BTreeMap::new(),
            history: None,
            told: None,
            kept: Moment(0),
        };
        if let Some(kept) = kept
            && let Ok(books) = serde_json::from_str(&kept.books)
        {
            one.mark.clone_from(&kept.mark);
            one.since = Some(kept.since);
            one.past = books;
            one.memory = serde_json::from_str(&kept.memory).unwrap_or_default();
        }
        one
    }

    pub(super) fn name(&self) -> &str {
        &self.config.name
    }

    /// Looks whether its files changed, and puts them in force; also where the live rules did.
    pub(super) fn look(
        &mut self,
        home: &Arc<Home>,
        live: &RuleSet,
        live_changed: bool,
        config: &RulesConfig,
    ) {
        let was_unreadable = std::mem::take(&mut self.unreadable);
        match self.files.changed() {
            Ok(None) if !live_changed && !was_unreadable => {}
            Ok(own) => {
                self.own = own.unwrap_or(std::mem::take(&mut self.own));
                self.lay(home, live, config);
            }
            Err(why) => {
                self.unreadable = true;
                self.breaks(home, why);
            }
        }
    }

    fn breaks(&mut self, home: &Home, why: String) {
        self.pause(home);
        self.broken = Some(why);
    }

    /// Lays its files over the live rules. Another text is another comparison, whose account begins anew.
    fn lay(&mut self, home: &Arc<Home>, live: &RuleSet, config: &RulesConfig) {
        let rules = laid_over(live, &self.own, &self.config, config);
        let faults = Program::compile(home, &rules).faults;
        if !faults.is_empty() {
            let list: Vec<String> = faults.iter().map(ToString::to_string).collect();
            return self.breaks(home, list.join("\n"));
        }
        let mark = mark(live, &rules);
        if self.broken.take().is_none() && self.mark == mark && self.history.is_some() {
            return;
        }
        self.pause(home);
        if self.mark != mark {
            self.past = Books::default();
            self.since = None;
        }
        self.same = rules == *live;
        (self.rules, self.mark) = (rules, mark);
    }

    /// Its history ends here; what it came to stays in the books.
    pub(super) fn pause(&mut self, home: &Home) {
        self.past = self.books(home);
        self.remember();
        self.history = None;
    }

    fn remember(&mut self) {
        if let Some(history) = &self.history {
            self.memory.extend(history.state().memory.clone());
        }
    }

    fn begin(&mut self, home: &Arc<Home>, at: WallTime, standing: &Standing) {
        let kept = standing.kept(&self.memory);
        let mut history = WhatIf::new(home, self.rules.clone(), kept, &standing.assumptions(home), at);
        history.follow_live();
        standing.setpoints().for_each(|(load, watts)| history.stood_at(load, watts));
        standing.inputs(home).iter().for_each(|input| history.input(at, input));
        standing.satisfied().for_each(|load| history.took_nothing(at, load));
        self.since = self.since.or(Some(at));
        self.history = Some(history);
    }

    /// One step of the live home.
    pub(super) fn step(
        &mut self,
        home: &Arc<Home>,
        at: WallTime,
        (inputs, outputs): (&[Input], &[Output]),
        standing: &Standing,
    ) {
        if self.broken.is_some() || self.mark.is_empty() {
            return;
        }
        if self.history.is_none() {
            self.begin(home, at, standing);
        }
        let Some(history) = &mut self.history else { return };
        inputs.iter().for_each(|input| history.input(at, input));
        for output in outputs {
            match output {
                Output::Record(Record::Setpoint { load, watts }) => {
                    history.recorded_setpoint(at, *load, *watts);
                }
                Output::Load(report) if report.limited_by == Some(Limit::TakesNothing) => {
                    history.took_nothing(at, report.load);
                }
                _ => {}
            }
        }
        history.end(at);
    }

    fn books(&self, home: &Home) -> Books {
        match &self.history {
            Some(history) => self.past.plus(home, history),
            None => self.past.clone(),
        }
    }

    /// What is to be published, where it is time: JSON.
    pub(super) fn news(
        &mut self,
        home: &Home,
        now: Moment,
        at: Option<WallTime>,
        waits: Option<&str>,
    ) -> Option<String> {
        let told = self.stand(home, waits);
        let due = self.told.as_ref().is_none_or(|(then, last)| now - *then >= TELL_EVERY || *last != told);
        if !due {
            return None;
        }
        let state = self.history.as_ref().map(WhatIf::state);
        let what = told::What {
            at,
            since: self.since,
            state: told.state,
            message: told.message.as_deref(),
            books: &self.books(home),
            loads: state,
        };
        let text = told::published(home, &what);
        self.told = Some((now, told));
        Some(text)
    }

    fn stand(&self, home: &Home, waits: Option<&str>) -> Told {
        let state = self.history.as_ref().map(WhatIf::state);
        let is_on = |i: usize| {
            let load = overspill_rules::home::LoadId(i as u16);
            state.and_then(|s| s.loads.get(&load)).is_some_and(|report| report.on)
        };
        let on = (0..home.loads.len()).map(is_on).collect();
        let (state, message) = match (&self.broken, state) {
            (Some(why), _) => ("failed", Some(why.clone())),
            (None, None) => ("waiting", Some(waits.unwrap_or("it has not begun yet").to_owned())),
            (None, Some(state)) => self.of_rules(state),
        };
        Told { state, message, on }
    }

    /// The worst of its rules.
    fn of_rules(&self, state: &State) -> (&'static str, Option<String>) {
        for (kind, word) in [
            (RuleState::Suspended, "suspended"),
            (RuleState::Failed, "failed"),
            (RuleState::Waiting, "waiting"),
        ] {
            if let Some(rule) = state.rules.values().find(|rule| rule.state == kind) {
                let why = rule.message.as_deref().unwrap_or(word);
                return (word, Some(format!("rule {}: {why}", rule.rule)));
            }
        }
        ("ok", self.same.then(|| told::SAME_RULES.to_owned()))
    }

    /// Keeps the books where it is time, or in any case at the end.
    pub(super) fn keep(&mut self, home: &Home, store: &StoreHandle, now: Moment, at: WallTime, ends: bool) {
        let (Some(since), true) = (self.since, ends || now - self.kept >= KEEP_EVERY) else { return };
        self.kept = now;
        self.remember();
        let json = |value: Result<String, _>| value.unwrap_or_default();
        let kept = KeptShadow {
            since,
            at,
            mark: self.mark.clone(),
            books: json(serde_json::to_string(&self.books(home))),
            memory: json(serde_json::to_string(&self.memory)),
        };
        store.keep_shadow(self.name(), kept);
    }
}
