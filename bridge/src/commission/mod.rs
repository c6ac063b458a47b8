//! Commissioning: the measuring points proved, what the proof of a home leaves behind, on paper and as data, and what
//! mends its home file.

mod answers;
mod attended;
pub(crate) mod board;
mod keeping;
pub mod listen;
mod live;
pub mod passive;
pub mod proposal;
pub mod record;
#[cfg(test)]
mod sample;
pub mod sheet;
mod show;

pub use answers::{Answers, AnswersError};
pub use attended::{Attended, attend};
pub(crate) use keeping::{by_history, keep_correction};
pub(crate) use live::standing;
pub use live::{AtTheKeys, AtThePage, CommissionError, Desk, Ended, Installer, Options, Print, Reply, run};
pub use show::Paper;
