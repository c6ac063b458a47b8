//! Forwarding to a database that takes the write API of InfluxDB 2: a real one, and one that answers as it is told.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod real;
mod record;
mod scripted;
mod waiting;
