//! The page in a real browser: Debian's Chromium without a screen, driven by WebDriver.
#![allow(missing_docs, unreachable_pub, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod browser;
#[path = "../commission_page/home.rs"]
mod commission_home;
mod commissioning;
mod demo;
mod history;
mod home;
mod login;
mod looks;
mod now;
mod people;
#[allow(dead_code)]
#[path = "../commission_live/plant.rs"]
mod plant;
mod restart;
mod sight;
