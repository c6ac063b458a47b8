//! Commissioning: the measuring points proved, what the proof of a home leaves behind, on paper and as data, and what
//! mends its home file.

mod answers;
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
pub(crate) use keeping::{by_history, keep_correction};
pub(crate) use live::standing;
pub use live::{AtTheKeys, CommissionError, Ended, Installer, Options, Print, Reply, run};
pub use show::Paper;
