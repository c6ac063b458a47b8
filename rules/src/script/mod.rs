//! The rule engine: the vocabulary, how rules are compiled and checked, and how they run.

mod view;

pub use view::{BALANCE_NAMES, Known, LoadLog, LoadMark, LoadView, View};
