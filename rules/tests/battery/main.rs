//! What a battery would have done, against figures that others worked out, and laws that hold for every home.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod example;
mod laws;
mod reference;
mod support;
