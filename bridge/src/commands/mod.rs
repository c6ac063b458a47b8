//! One file for each command.

pub mod check;
pub mod demo;
pub mod journal;
pub mod import;
mod opening;
pub mod run;
