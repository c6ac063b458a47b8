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
pub(crate) mod sample;
pub mod sheet;
mod show;

/// The file that a commissioning leaves beside the home file.
pub(crate) fn beside(home: &std::path::Path, ending: &str) -> std::path::PathBuf {
    let stem = home.file_stem().unwrap_or_default().to_string_lossy().into_owned();
    home.with_file_name(format!("{stem}.commission.{ending}"))
}

pub use answers::{Answers, AnswersError};
pub use attended::{Attended, attend};
pub(crate) use keeping::{LAPSED, NOT_BEGUN, by_history, keep_correction};
pub(crate) use live::standing;
pub use live::{AtTheKeys, AtThePage, CommissionError, Desk, Ended, Installer, Options, Print, Reply, run};
pub use show::Paper;
