//! `overspill battery` as people and programs run it: the command line on records that were imported.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod fortnight;
#[path = "../history/support.rs"]
#[allow(dead_code)]
mod support;
mod year;
