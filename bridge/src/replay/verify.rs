//! Whether the journal's inputs make the controller do again exactly what it did.

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::Controller;
use overspill_rules::home::Home;
use overspill_rules::input::{Input, RuleSet};
use overspill_rules::output::{Decision, Output, Record};
use overspill_rules::time::{Moment, WallTime};
use serde::Serialize;

use super::Progress;
use crate::store::{DecisionRow, Journalled, Recorded, Request, Run, StoreError, StoreReader, home_mark};

/// What was found.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct Verified {
    /// The runs that were repeated.
    pub runs: Vec<RunVerified>,
    /// Stamps compared.
    pub stamps: u64,
    /// Set-points compared.
    pub setpoints: u64,
    /// Decisions compared.
    pub decisions: u64,
    /// The first thing that came out otherwise.
    pub difference: Option<Difference>,
}

/// A run that was repeated.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RunVerified {
    /// Its number in the journal.
    pub run: i64,
    /// When it began.
    pub began: Option<String>,
    /// The version of the program that recorded it.
    pub program: String,
    /// What makes a difference likelier, in sentences.
    pub doubts: Vec<String>,
}

/// What came out otherwise, at one stamp for one load.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// The run.
    pub run: i64,
    /// When; `None` while the wall clock was not believed.
    pub at: Option<String>,
    /// The load.
    pub load: String,
    /// New set-point as recorded, in watts.
    pub recorded_w: Option<f64>,
    /// New set-point as replayed, in watts.
    pub replayed_w: Option<f64>,
    /// The decision as recorded.
    pub recorded: Option<DecisionRow>,
    /// The decision as replayed.
    pub replayed: Option<DecisionRow>,
}

/// Repeats every run that touches the span, each from its start, and compares what it did within the span. Where `rules`
/// are given they take the place of those that were live.
///
/// # Errors
/// When the journal can't be read.
pub fn verify(
    journal: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
    rules: Option<&RuleSet>,
) -> Result<Verified, StoreError> {
    let mut verified = Verified::default();
    let runs = journal.runs()?;
    let ends = runs.iter().skip(1).map(|next| next.began).chain([None]);
    let home = Arc::new(home.clone());
    for (run, end) in runs.iter().zip(ends) {
        let touches = run.began.is_some_and(|began| began < to) && end.is_none_or(|end| end > from);
        if !touches {
            continue;
        }
        verified.runs.push(told_of(run, &home));
        let recorded = journal.run_records(run)?;
        let progress = Progress::new(run.began.unwrap_or(from), end.unwrap_or(to).min(to));
        let mut again = Again::new(&home, run, recorded, (from, to), progress);
        journal.run_inputs(&home, run, |journalled| again.take(journalled, rules, &mut verified))?;
        again.end(&mut verified);
        if verified.difference.is_some() {
            break;
        }
    }
    Ok(verified)
}

fn told_of(run: &Run, home: &Home) -> RunVerified {
    let mut doubts = Vec::new();
    if run.program != env!("CARGO_PKG_VERSION") {
        doubts.push(format!(
            "it was recorded by version {}, and this is {}: another version may decide otherwise",
            run.program,
            env!("CARGO_PKG_VERSION")
        ));
    }
    match &run.home_mark {
        None => doubts.push(
            "the journal does not tell what was known at its start, so it is repeated from nothing"
                .to_owned(),
        ),
        Some(mark) if *mark != home_mark(home) => {
            doubts.push("the home file has changed since: it is repeated with the one of today".to_owned());
        }
        Some(_) => {}
    }
    RunVerified {
        run: run.run,
        began: run.began.map(WallTime::to_rfc3339),
        program: run.program.clone(),
        doubts,
    }
}

/// One run, repeated.
struct Again {
    home: Arc<Home>,
    run: i64,
    controller: Controller,
    recorded: BTreeMap<u64, Recorded>,
    span: (WallTime, WallTime),
    stamp: Option<(u64, Moment, Option<WallTime>)>,
    progress: Progress,
}

impl Again {
    fn new(
        home: &Arc<Home>,
        run: &Run,
        recorded: BTreeMap<u64, Recorded>,
        span: (WallTime, WallTime),
        progress: Progress,
    ) -> Again {
        let kept = run.kept.clone().unwrap_or_default();
        let controller = Controller::new(Arc::clone(home), kept);
        Again { home: Arc::clone(home), run: run.run, controller, recorded, span, stamp: None, progress }
    }

    fn take(&mut self, journalled: Journalled, rules: Option<&RuleSet>, verified: &mut Verified) {
        if verified.difference.is_some() {
            return;
        }
        let stamp = (journalled.stamp.batch, journalled.stamp.moment, journalled.stamp.wall);
        if self.stamp.is_some_and(|before| before.0 != stamp.0) {
            self.compare(false, verified);
        }
        self.stamp = Some(stamp);
        if let Some(wall) = stamp.2 {
            self.progress.at(wall);
        }
        match journalled.input {
            Ok(Input::Rules(_)) if rules.is_some() => {
                let rules = rules.cloned().unwrap_or_default();
                self.controller.handle(stamp.1, Input::Rules(rules));
            }
            Ok(input) => self.controller.handle(stamp.1, input),
            Err(why) => doubt(verified, format!("at {}: {why}", shown(stamp.2))),
        }
    }

    /// What was read while the daemon writes may end within a stamp.
    fn end(&mut self, verified: &mut Verified) {
        if verified.difference.is_none() && self.stamp.is_some() {
            self.compare(true, verified);
        }
    }

    /// Decides on what was handed in, and holds it against what was recorded.
    fn compare(&mut self, last: bool, verified: &mut Verified) {
        let Some((batch, _, wall)) = self.stamp else { return };
        let replayed = self.drain();
        let recorded = self.recorded.remove(&batch).unwrap_or_default();
        if wall.is_none_or(|at| at < self.span.0 || at >= self.span.1) {
            return;
        }
        if last && recorded == Recorded::default() {
            return;
        }
        verified.stamps += 1;
        verified.setpoints += recorded.setpoints.len() as u64;
        verified.decisions += recorded.decisions.len() as u64;
        verified.difference = self.difference(wall, &recorded, &replayed);
    }

    fn drain(&mut self) -> Recorded {
        let mut replayed = Recorded::default();
        while let Some(output) = self.controller.poll_output() {
            match output {
                Output::Record(Record::Setpoint { load, watts }) => {
                    replayed.setpoints.insert(Arc::from(self.home.load(load).id.as_str()), watts);
                }
                Output::Record(Record::Decision(decision)) => {
                    replayed.decisions.push(row(&self.home, &decision));
                }
                _ => {}
            }
        }
        replayed
    }

    fn difference(
        &self,
        at: Option<WallTime>,
        recorded: &Recorded,
        replayed: &Recorded,
    ) -> Option<Difference> {
        let differs = |load: &&str| {
            recorded.setpoints.get(*load) != replayed.setpoints.get(*load)
                || decision_for(recorded, load).map(undated) != decision_for(replayed, load).map(undated)
        };
        let load = self.home.loads.iter().map(|l| l.id.as_str()).find(differs)?;
        Some(Difference {
            run: self.run,
            at: at.map(WallTime::to_rfc3339),
            load: load.to_owned(),
            recorded_w: recorded.setpoints.get(load).copied(),
            replayed_w: replayed.setpoints.get(load).copied(),
            recorded: decision_for(recorded, load).cloned(),
            replayed: decision_for(replayed, load).cloned(),
        })
    }
}

fn doubt(verified: &mut Verified, why: String) {
    if let Some(run) = verified.runs.last_mut()
        && run.doubts.last() != Some(&why)
    {
        run.doubts.push(why);
    }
}

fn decision_for<'a>(of: &'a Recorded, load: &str) -> Option<&'a DecisionRow> {
    of.decisions.iter().rfind(|d| d.load == load)
}

/// The stamp says when; a run that was dated later had no time of its own yet.
fn undated(decision: &DecisionRow) -> DecisionRow {
    DecisionRow { at: None, ..decision.clone() }
}

/// A decision by the names of this home.
pub(crate) fn row(home: &Home, decision: &Decision) -> DecisionRow {
    let requests = decision.requests.iter().map(|asked| Request {
        rule: asked.rule.clone(),
        request: asked.request,
        reason: asked.reason.clone(),
    });
    DecisionRow {
        at: decision.at,
        load: home.load(decision.load).id.clone(),
        on: decision.on,
        setpoint_w: decision.setpoint_w,
        rule: decision.rule.clone(),
        reason: decision.reason.clone(),
        limited_by: decision.limited_by.map(|limit| limit.word().to_owned()),
        requests: requests.collect(),
        readings: decision.readings.clone(),
    }
}

fn shown(at: Option<WallTime>) -> String {
    at.map_or("a time not known".to_owned(), WallTime::to_rfc3339)
}
