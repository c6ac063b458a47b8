//! The rule engine: the vocabulary, how rules are compiled and checked, and how they run.

mod check;
mod clock;
mod engine;
mod explain;
mod fault;
mod load_object;
mod memory;
mod nearest;
mod objects;
mod place;
mod program;
mod run;
mod source;
#[cfg(test)]
mod tests;
mod trace;
mod view;
mod vocabulary;

pub(crate) use engine::{general_engine, number};
pub(crate) use explain::{Explained, explain, explain_parse};
pub use fault::{Fault, SourceFile};
pub(crate) use memory::from_value;
pub use memory::{RuleMemory, SustainedState};
pub(crate) use nearest::suggest;
pub use program::{Compiled, Program, RuleInfo};
pub use run::{RuleRun, RunOutcome};
pub use trace::Reads;
pub use view::{BALANCE_NAMES, Known, LoadLog, LoadMark, LoadView, View};
pub use vocabulary::{Entry, Owner, reference, reference_text};
