//! The rule engine: the vocabulary, how rules are compiled and checked, and how they run.

mod check;
mod clock;
mod definitions;
mod engine;
mod explain;
mod expression;
mod fault;
mod filters;
mod holds;
mod literals;
mod load_object;
mod memory;
mod nearest;
mod need;
mod objects;
mod place;
mod price_object;
mod program;
mod run;
mod source;
mod sun_object;
#[cfg(test)]
pub(crate) mod tests;
mod trace;
mod view;
mod vocabulary;
mod words;

pub(crate) use clock::TimeOfDay;
pub use definitions::definitions;
pub(crate) use engine::number;
pub(crate) use explain::type_word;
pub(crate) use expression::Expression;
pub use fault::{Fault, SourceFile};
pub(crate) use memory::to_value;
pub use memory::{RuleMemory, SustainedState};
pub(crate) use nearest::{nearest, suggest};
pub use need::NEED_TAKES_SPARE;
pub use program::{Compiled, Program, RuleInfo};
pub use run::{RuleRun, RunOutcome};
pub use trace::Reads;
pub use view::{BALANCE_NAMES, Known, LoadLog, LoadMark, LoadView, View};
pub use vocabulary::{Entry, Owner, reference, reference_text};
