//! The reaching: home file, broker, store, command line. The thinking is in `overspill-rules`.

pub mod battery;
pub mod broker;
pub mod cli;
pub mod commands;
pub mod commission;
pub mod config;
pub mod daemon;
pub mod demo;
pub mod history;
pub mod influx;
mod meter_book;
pub mod mqtt;
mod prices;
mod progress;
pub mod replay;
pub mod report;
pub mod shadow;
pub mod store;
pub mod view;
pub mod web;
mod when;
pub mod why;
mod words;
pub mod workbench;
