//! The household's rules at work: evaluated at each decision, suspended when they fail again and again.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::Controller;
use crate::home::LoadId;
use crate::input::{About, RuleSet};
use crate::kept::KeptMemory;
use crate::limits;
use crate::output::{Asked, Output, Record, RuleReport, RuleState, Severity};
use crate::request::Request;
use crate::script::{Fault, Program, Reads, RuleMemory, RuleRun, RunOutcome, View};
use crate::time::Moment;

/// The rules that are in force, with what each has said last.
#[derive(Clone, Default)]
pub(super) struct Rules {
    program: Option<Arc<Program>>,
    /// The texts in force.
    set: RuleSet,
    running: Vec<Running>,
    kept: BTreeMap<String, KeptMemory>,
}

/// One rule while it is in force.
#[derive(Clone)]
pub(super) struct Running {
    pub(super) name: String,
    pub(super) loads: Vec<LoadId>,
    pub(super) said: Said,
    version: i64,
    memory: RuleMemory,
    failures: u32,
    suspended: Option<Fault>,
    told: Option<RuleReport>,
    tells: Tells,
}

/// What a rule has told people.
#[derive(Debug, Clone, Default)]
pub(super) struct Tells {
    /// What it said at its last evaluation.
    saying: Vec<String>,
    /// What was given out of late, oldest first.
    given: Vec<(Moment, String)>,
}

impl Tells {
    /// What of `saying` is to be given out now.
    fn take(&mut self, now: Moment, saying: Vec<String>) -> Vec<String> {
        self.given.retain(|(at, _)| now - *at < limits::TELL_AGAIN);
        let mut due = Vec::new();
        for text in saying.iter().filter(|text| !self.saying.contains(text)) {
            let again = self.given.iter().any(|(_, given)| given == text);
            if !again && self.given.len() < limits::TELLS_AN_HOUR {
                self.given.push((now, text.clone()));
                due.push(text.clone());
            }
        }
        self.saying = saying;
        due
    }
}

/// What a rule said at its last evaluation.
#[derive(Debug, Clone)]
pub(super) enum Said {
    /// Its requests, with what it read.
    Asks { requests: Vec<(LoadId, Request, String)>, reads: Reads },
    /// It waits for a value.
    Waits { why: String },
    /// It failed or is suspended.
    Fails { fault: Fault, suspended: bool },
}

impl Rules {
    pub(super) fn remember(&mut self, kept: BTreeMap<String, KeptMemory>) {
        self.kept = kept;
    }

    pub(super) fn running(&self) -> &[Running] {
        &self.running
    }

    pub(super) fn kept_memory(&self) -> BTreeMap<String, KeptMemory> {
        let mut kept = self.kept.clone();
        // A rule that has emptied its memory must not get the old one back.
        for rule in self.running.iter().filter(|r| !r.memory.is_empty() || self.kept.contains_key(&r.name)) {
            let memory = KeptMemory { version: rule.version, json: rule.memory.to_json() };
            kept.insert(rule.name.clone(), memory);
        }
        kept
    }
}

impl Controller {
    /// Puts a new set of rules in force, whole. A rule that can't be compiled is suspended alone; one that was suspended
    /// stays so until its text or what it imports changes.
    pub(super) fn take_rules(&mut self, set: &RuleSet) {
        let kept = self.rules.kept_memory();
        let program = Program::compile(&self.home, set).program;
        let running = program.rules().iter().map(|info| {
            let memory = kept.get(&info.name).map(|k| RuleMemory::restored(k, info.memory_version));
            let unchanged = self.rules.running.iter().find(|r| r.name == info.name);
            let unchanged = unchanged.filter(|_| self.rules.set.has_same(set, &info.name));
            Running {
                name: info.name.clone(),
                loads: info.loads.clone(),
                said: Said::Waits { why: "not yet evaluated".to_owned() },
                version: info.memory_version,
                memory: memory.unwrap_or_default(),
                failures: unchanged.map_or(0, |r| r.failures),
                suspended: info.fault.clone().or_else(|| unchanged.and_then(|r| r.suspended.clone())),
                told: None,
                tells: unchanged.map(|r| r.tells.clone()).unwrap_or_default(),
            }
        });
        let running: Vec<Running> = running.collect();
        for rule in &running {
            if let Some(fault) = &rule.suspended {
                let text = format!("rule {} can't be used and is suspended: {fault}", rule.name);
                self.tell_now(Severity::Problem, "rule_suspended", About::Rule(rule.name.clone()), text);
            }
        }
        self.rules = Rules { program: Some(Arc::new(program)), set: set.clone(), running, kept };
    }

    /// What is wrong with each rule that failed at its last evaluation or can't be run, in rank order.
    pub fn rule_faults(&self) -> impl Iterator<Item = &Fault> {
        self.rules.running.iter().filter_map(|rule| match &rule.said {
            Said::Fails { fault, .. } => Some(fault),
            _ => None,
        })
    }

    /// Evaluates every rule on what is known now.
    pub(super) fn run_rules(&mut self, view: &Arc<View>) {
        let Some(program) = self.rules.program.clone() else { return };
        for i in 0..self.rules.running.len() {
            if let Some(fault) = self.rules.running[i].suspended.clone() {
                self.rules.running[i].said = Said::Fails { fault, suspended: true };
            } else {
                let run = program.run(i, view, &self.rules.running[i].memory);
                self.due.extend(run.wake);
                self.take_tells(i, &run);
                self.take_run(i, run);
            }
            self.report_rule(i);
        }
    }

    /// A rule that waits or failed says nothing new, and has not stopped saying what it said.
    fn take_tells(&mut self, i: usize, run: &RuleRun) {
        if !matches!(run.outcome, RunOutcome::Asked { .. }) {
            return;
        }
        for (load, text) in run.troubles.iter().cloned() {
            self.tell_now(Severity::Warning, "need_not_met", About::Load(load), text);
        }
        let rule = &mut self.rules.running[i];
        let about = About::Rule(rule.name.clone());
        for text in rule.tells.take(self.now, run.tells.clone()) {
            self.tell_now(Severity::Info, "rule_tells", about.clone(), text);
        }
    }

    fn take_run(&mut self, i: usize, run: RuleRun) {
        let rule = &mut self.rules.running[i];
        match run.outcome {
            RunOutcome::Asked { requests, memory } => {
                rule.failures = 0;
                rule.said = Said::Asks { requests, reads: run.reads };
                let changed = !rule.memory.same_data(&memory);
                rule.memory = memory;
                if changed {
                    let record = Record::Memory {
                        rule: rule.name.clone(),
                        version: rule.version,
                        json: rule.memory.to_json(),
                    };
                    self.give(Output::Record(record));
                }
            }
            RunOutcome::Waiting { why } => rule.said = Said::Waits { why },
            RunOutcome::Failed(fault) => self.take_failure(i, fault),
        }
    }

    fn take_failure(&mut self, i: usize, fault: Fault) {
        let rule = &mut self.rules.running[i];
        rule.failures += 1;
        let suspended = rule.failures >= limits::FAILURES_SUSPEND;
        let (name, first) = (rule.name.clone(), rule.failures == 1);
        if suspended {
            rule.suspended = Some(fault.clone());
        }
        rule.said = Said::Fails { fault: fault.clone(), suspended };
        let about = About::Rule(name.clone());
        if suspended {
            let text = format!(
                "rule {name} failed {} times in a row and is suspended until it changes or the program restarts: {fault}",
                limits::FAILURES_SUSPEND
            );
            self.tell_now(Severity::Problem, "rule_suspended", about, text);
        } else if first {
            let text = format!("rule {name} failed; its loads go to their fallback: {fault}");
            self.tell(Severity::Problem, "rule_failed", about, text);
        }
    }

    /// Gives out a rule's state where it changed. Other words alone are no change.
    fn report_rule(&mut self, i: usize) {
        let at = self.clock.wall(self.now);
        let rule = &mut self.rules.running[i];
        if rule.told.as_ref().is_some_and(|told| rule.said.is_as_told(told)) {
            return;
        }
        let (message, place) = match &rule.said {
            Said::Asks { .. } => (None, (None, None)),
            Said::Waits { why } => (Some(why.clone()), (None, None)),
            Said::Fails { fault, .. } => (Some(fault.message.clone()), (fault.line, fault.column)),
        };
        let report = RuleReport {
            rule: rule.name.clone(),
            at,
            state: rule.said.state(),
            message,
            line: place.0,
            column: place.1,
            requests: asked(&rule.name, rule.said.requests()),
        };
        rule.told = Some(report.clone());
        self.give(Output::Rule(report));
    }
}

impl Said {
    fn state(&self) -> RuleState {
        match self {
            Said::Asks { .. } => RuleState::Ok,
            Said::Waits { .. } => RuleState::Waiting,
            Said::Fails { suspended: true, .. } => RuleState::Suspended,
            Said::Fails { .. } => RuleState::Failed,
        }
    }

    fn requests(&self) -> &[(LoadId, Request, String)] {
        match self {
            Said::Asks { requests, .. } => requests,
            Said::Waits { .. } | Said::Fails { .. } => &[],
        }
    }

    /// Whether people have been told so, in whatever words of a request or a wait.
    fn is_as_told(&self, told: &RuleReport) -> bool {
        let same_fault = match self {
            Said::Asks { .. } | Said::Waits { .. } => true,
            Said::Fails { fault, .. } => {
                told.message.as_ref() == Some(&fault.message)
                    && (told.line, told.column) == (fault.line, fault.column)
            }
        };
        let asks = self.requests().iter().map(|(load, request, _)| (*load, *request));
        let asked = told.requests.iter().map(|a| (a.load, a.request));
        told.state == self.state() && same_fault && asks.eq(asked)
    }
}

fn asked(rule: &str, requests: &[(LoadId, Request, String)]) -> Vec<Asked> {
    let asked = requests.iter().map(|(load, request, reason)| Asked {
        rule: rule.to_owned(),
        load: *load,
        request: *request,
        reason: reason.clone(),
    });
    asked.collect()
}
