//! History in and out, as people and programs run it: the command line on real files.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod corrections;
mod figures;
mod imports;
mod in_and_out;
mod meter_book;
mod renaming;
mod support;
