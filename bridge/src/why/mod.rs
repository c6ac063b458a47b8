//! Why a load does what it does, and what would have changed that.
//!
//! Decisions are recorded where they change; what stood between two of them is worked out again by running the
//! controller on the journal, from the start of the run of that time.

mod not;
pub mod text;

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::Controller;
use overspill_rules::home::{Home, LoadId};
use overspill_rules::input::Input;
use overspill_rules::output::{BalanceReport, LoadReport, Output, RuleReport};
use overspill_rules::time::{Moment, Span, WallTime};
use thiserror::Error;

use crate::replay::Progress;
use crate::store::{DecisionRow, Journalled, Run, StoreError, StoreReader};

pub use not::Change;

/// How far back a change may begin.
const CHANGE_WITHIN: Span = Span::minutes(30);

/// What there is to say.
#[derive(Debug, Clone, PartialEq)]
pub struct Answer {
    /// The time that it is about: the stamp in force then.
    pub at: WallTime,
    /// The load.
    pub load: LoadId,
    /// What it does, and why.
    pub report: LoadReport,
    /// Every rule, as it stood.
    pub rules: Vec<RuleReport>,
    /// The balance.
    pub balance: Option<BalanceReport>,
    /// The last change, as it was recorded.
    pub changed: Option<DecisionRow>,
    /// What held before it.
    pub before: Option<DecisionRow>,
    /// The smallest change that would have started or stopped it, where that was asked.
    pub change: Option<Change>,
}

/// Why there is no answer.
#[derive(Debug, Error)]
pub enum WhyError {
    /// The journal can't be read.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// There are readings of this time, but nothing decided on them when they came.
    #[error(
        "the readings of {0} were imported: no rule was asked then. `overspill replay` tells what rules would have made \
         of them"
    )]
    Imported(String),
    /// The journal has nothing of this time.
    #[error("the journal has nothing of {0}; it begins {1}")]
    Nothing(String, String),
    /// The journal is empty.
    #[error("the journal has nothing yet")]
    Empty,
    /// No decision about the load was made yet.
    #[error("nothing was decided about this load yet at {0}")]
    Undecided(String),
}

/// Everything that was handled under one stamp.
#[derive(Debug, Clone)]
struct Step {
    moment: Moment,
    inputs: Vec<Input>,
}

/// The controller as it stood before the last steps, and those steps.
struct Tail {
    before: Controller,
    steps: Vec<Step>,
}

/// Answers for `load` at `at`, or at the end of the journal; with the smallest change where `not`.
///
/// # Errors
/// When the journal can't be read, or has nothing of that time.
pub fn why(
    journal: &StoreReader,
    home: &Home,
    load: LoadId,
    at: Option<WallTime>,
    not: bool,
) -> Result<Answer, WhyError> {
    let extent = journal.extent()?.ok_or(WhyError::Empty)?;
    let at = at.unwrap_or(extent.last);
    let runs = journal.runs()?;
    let imports = journal.imports()?;
    let decided = |run: &&Run| !imports.iter().any(|i| i.run == run.run);
    let run = runs.iter().filter(decided).rfind(|run| run.began.is_some_and(|began| began <= at));
    let local = |at| text::local(at, &home.timezone);
    let run = run.ok_or_else(|| match extent.first <= at {
        true => WhyError::Imported(local(at)),
        false => WhyError::Nothing(local(at), local(extent.first)),
    })?;
    let mut again = Again::new(home, run, at);
    journal.run_inputs(home, run, |journalled| again.take(journalled))?;
    again.finish_stamp();
    let undecided = || WhyError::Undecided(local(at));
    let report = again.loads.get(&load).cloned().ok_or_else(undecided)?;
    let name = &home.load(load).id;
    let changed = journal.last_decision(name, Some(at))?;
    let before = match changed.as_ref().and_then(|c| c.at) {
        Some(then) => journal.last_decision(name, Some(WallTime(then.0 - 1)))?,
        None => None,
    };
    let change = not.then(|| not::smallest(home, load, report.on, &again.tail()));
    let at = again.stamp.and_then(|(_, wall)| wall).unwrap_or(at);
    let rules = again.rules.into_values().collect();
    Ok(Answer { at, load, report, rules, balance: again.balance, changed, before, change })
}

/// One run, repeated up to a time.
struct Again {
    controller: Controller,
    upto: WallTime,
    stamp: Option<(u64, Option<WallTime>)>,
    pending: Step,
    snapshot: Option<Controller>,
    steps: Vec<Step>,
    loads: BTreeMap<LoadId, LoadReport>,
    rules: BTreeMap<String, RuleReport>,
    balance: Option<BalanceReport>,
    progress: Progress,
}

impl Again {
    fn new(home: &Home, run: &Run, upto: WallTime) -> Again {
        let kept = run.kept.clone().unwrap_or_default();
        Again {
            controller: Controller::new(Arc::new(home.clone()), kept),
            upto,
            stamp: None,
            pending: Step { moment: Moment(0), inputs: Vec::new() },
            snapshot: None,
            steps: Vec::new(),
            loads: BTreeMap::new(),
            rules: BTreeMap::new(),
            balance: None,
            progress: Progress::new(run.began.unwrap_or(upto), upto),
        }
    }

    fn take(&mut self, journalled: Journalled) {
        let (stamp, wall) = (journalled.stamp, journalled.stamp.wall);
        let (Ok(input), true) = (journalled.input, wall.is_none_or(|wall| wall <= self.upto)) else { return };
        if self.stamp.is_none_or(|(batch, _)| batch != stamp.batch) {
            self.finish_stamp();
            self.stamp = Some((stamp.batch, wall));
            self.pending.moment = stamp.moment;
            wall.into_iter().for_each(|wall| self.progress.at(wall));
        }
        self.pending.inputs.push(input);
    }

    fn finish_stamp(&mut self) {
        let moment = self.pending.moment;
        let step = std::mem::replace(&mut self.pending, Step { moment, inputs: Vec::new() });
        let Some((_, wall)) = self.stamp.filter(|_| !step.inputs.is_empty()) else { return };
        let late = wall.is_some_and(|wall| self.upto - wall <= CHANGE_WITHIN);
        if late && self.snapshot.is_none() {
            self.snapshot = Some(self.controller.clone());
        }
        step.inputs.iter().for_each(|input| self.controller.handle(step.moment, input.clone()));
        if self.snapshot.is_some() {
            self.steps.push(step);
        }
        while let Some(output) = self.controller.poll_output() {
            match output {
                Output::Load(report) => drop(self.loads.insert(report.load, report)),
                Output::Rule(report) => drop(self.rules.insert(report.rule.clone(), report)),
                Output::Balance(report) => self.balance = Some(report),
                _ => {}
            }
        }
    }

    fn tail(&mut self) -> Tail {
        let before = self.snapshot.clone().unwrap_or_else(|| self.controller.clone());
        Tail { before, steps: std::mem::take(&mut self.steps) }
    }
}
