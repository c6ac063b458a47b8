//! Who gets in, and who does not.
#![allow(clippy::unwrap_used)]

mod login;
mod routes;
mod secrets;
