//! The daemon as a household meets it: the example home, a real broker, real time.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod bad_messages;
mod clock;
mod embedded;
mod endings;
mod examples;
mod forwarding;
mod house;
mod outage;
mod page;
mod people;
mod prices;
mod restart;
mod rule_files;
mod settings;
mod shadow;
mod speed;
mod two;
mod web;
