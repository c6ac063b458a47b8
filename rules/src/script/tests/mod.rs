//! How rules behave, are checked, and fail.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod checks;
mod clocks;
mod extremes;
mod filters;
mod hostile;
mod prices;
mod remembers;
mod sun;
pub(crate) mod support;
mod words;
