//! One file for each command.

pub mod check;
pub mod demo;
pub mod run;
