//! One evaluation of one rule.

use std::sync::Arc;

use rhai::{CallFnOptions, Dynamic, Engine, EvalAltResult, Position, Scope};

use super::explain::{Explained, explain};
use super::fault::{Fault, SourceFile};
use super::memory::RuleMemory;
use super::objects::HomeObject;
use super::place::LastPlace;
use super::program::{CompiledRule, Program};
use super::source::line_of;
use super::trace::{Evaluation, Reads, Stop, Trace};
use super::view::View;
use super::vocabulary::{rule_engine, signatures};
use crate::home::LoadId;
use crate::request::Request;
use crate::time::Moment;

/// How an evaluation ended, and what it depended on.
#[derive(Debug, Clone)]
pub struct RuleRun {
    /// How it ended.
    pub outcome: RunOutcome,
    /// What it read until then.
    pub reads: Reads,
    /// When the rule would answer otherwise by the passing of time alone, as far as it looked; after an evaluation
    /// that waits or failed too.
    pub wake: Option<Moment>,
    /// What it tells people; to be given out where it came to its end.
    pub tells: Vec<String>,
    /// Needs that can't be met, by load, in words; to be told where it came to its end.
    pub troubles: Vec<(LoadId, String)>,
}

/// How an evaluation ended.
#[derive(Debug, Clone)]
pub enum RunOutcome {
    /// It came to its end.
    Asked {
        /// What it asks, one request for each load, with the reason.
        requests: Vec<(LoadId, Request, String)>,
        /// What it remembers from now on.
        memory: RuleMemory,
    },
    /// It read a value that is not known. Its memory stays as it was.
    Waiting {
        /// What it waits for: "no grid reading for 45 s".
        why: String,
    },
    /// It failed. Its memory stays as it was.
    Failed(Fault),
}

impl Program {
    /// Evaluates rule `rule` (its place in [`Program::rules`]) on what is known now. The same view and memory give
    /// the same result. Nothing that a rule does changes `state`; the memory to keep is in the result.
    pub fn run(&self, rule: usize, view: &Arc<View>, state: &RuleMemory) -> RuleRun {
        let Some(compiled) = self.rules.get(rule).and_then(Option::as_ref) else {
            let fault =
                self.infos.get(rule).and_then(|info| info.fault.clone()).unwrap_or_else(|| no_rule(rule));
            return RuleRun {
                outcome: RunOutcome::Failed(fault),
                reads: Reads::default(),
                wake: None,
                tells: vec![],
                troubles: vec![],
            };
        };
        let mut ended = self.evaluate(&self.engine, compiled, view, state);
        let (reads, wake) = (std::mem::take(&mut ended.trace.reads), ended.trace.wake);
        let tells = std::mem::take(&mut ended.trace.tells);
        let troubles = std::mem::take(&mut ended.trace.troubles);
        let outcome = match ended.outcome(compiled.entry) {
            Ok(outcome) => outcome,
            Err(mut told) => {
                if told.line.is_none() {
                    self.locate(&mut told, compiled, view, state);
                }
                RunOutcome::Failed(self.fault(rule, told))
            }
        };
        RuleRun { outcome, reads, wake, tells, troubles }
    }

    fn evaluate(
        &self,
        engine: &Engine,
        compiled: &CompiledRule,
        view: &Arc<View>,
        state: &RuleMemory,
    ) -> Ended {
        let evaluation = Arc::new(Evaluation::new(view, &self.home, &self.memos, state));
        let home = HomeObject(Arc::clone(&evaluation));
        let mut this = Dynamic::from_map(state.map().clone());
        let options = CallFnOptions::new()
            .bind_this_ptr(&mut this)
            .with_tag(home.clone())
            .eval_ast(compiled.statements);
        let result =
            engine.call_fn_with_options(options, &mut Scope::new(), &compiled.ast, "decide", (home,));
        let trace = std::mem::take(&mut *evaluation.trace());
        Ended { result, trace, this }
    }

    /// Repeats a failed evaluation to find its place.
    fn locate(&self, told: &mut Explained, compiled: &CompiledRule, view: &Arc<View>, state: &RuleMemory) {
        let mut engine = rule_engine();
        engine.set_module_resolver(self.library.clone());
        let last = LastPlace::watch(&mut engine);
        let _ = self.evaluate(&engine, compiled, view, state);
        if let Some((source, position)) = last.found() {
            (told.line, told.column, told.source) = (position.line(), position.position(), source);
        }
    }

    fn fault(&self, rule: usize, told: Explained) -> Fault {
        let name = self.infos.get(rule).map(|info| info.name.clone()).unwrap_or_default();
        let own = SourceFile::Rule(name.clone());
        let file = self.texts.keys().find(|file| file.to_string() == told.source).unwrap_or(&own).clone();
        let text = self.texts.get(&file).zip(told.line).and_then(|(text, line)| line_of(text, line));
        Fault {
            rule: name,
            file,
            message: told.message,
            line: told.line,
            column: told.column,
            text,
            help: told.help,
        }
    }
}

/// An evaluation at its end.
struct Ended {
    result: Result<Dynamic, Box<EvalAltResult>>,
    trace: Trace,
    this: Dynamic,
}

impl Ended {
    /// What became of it; the error where it failed. A memory that can't be kept is told at `entry`: it is what all
    /// of the rule together left.
    fn outcome(mut self, entry: Position) -> Result<RunOutcome, Explained> {
        // A rule can't undo a stop, whatever became of the error on its way out.
        match (self.trace.stop.take(), self.result) {
            (Some(Stop::Waiting(why)), _) => Ok(RunOutcome::Waiting { why }),
            (Some(Stop::Failed { message, help }), _) => {
                Err(Explained { message, help, ..Explained::default() })
            }
            (None, Err(error)) => Err(explain(&error, signatures)),
            (None, Ok(_)) => {
                let requests = std::mem::take(&mut self.trace.requests);
                let memory = RuleMemory::checked(self.this, self.trace)
                    .map_err(|message| Explained::at(entry, message))?;
                Ok(RunOutcome::Asked { requests, memory })
            }
        }
    }
}

fn no_rule(rule: usize) -> Fault {
    Fault {
        rule: String::new(),
        file: SourceFile::Rule(String::new()),
        message: format!("there is no rule number {rule}"),
        line: None,
        column: None,
        text: None,
        help: None,
    }
}
