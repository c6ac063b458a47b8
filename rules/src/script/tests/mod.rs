//! How rules behave, are checked, and fail.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod checks;
mod clocks;
mod extremes;
mod hostile;
mod remembers;
pub(crate) mod support;
mod words;
