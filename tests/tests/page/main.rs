//! The page in a real browser: Debian's Chromium without a screen, driven by WebDriver.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod browser;
mod demo;
mod home;
mod login;
mod looks;
mod now;
mod people;
mod restart;
