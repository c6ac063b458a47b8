//! `overspill report`, through the binary, on journals made by importing files.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod figures;
mod forms;
#[path = "../history/support.rs"]
#[allow(dead_code)]
mod support;
