//! One file for each command.

mod args;
pub mod backup;
pub mod battery;
pub mod check;
pub mod commission;
pub mod correct;
pub mod demo;
pub mod export;
pub mod import;
pub mod journal;
pub mod meter_book;
mod opening;
pub mod password;
pub mod replay;
pub mod report;
pub mod run;
pub mod shadow;
pub mod test;
pub mod why;
