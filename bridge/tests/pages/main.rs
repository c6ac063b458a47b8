//! History, report and battery as pages of a running program, held against what the commands and the reader say.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod answers;
mod history;
mod power;
mod running;
#[path = "../history/support.rs"]
#[allow(dead_code)]
mod support;
