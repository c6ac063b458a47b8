//! Answers that a household asks of its record: what the meters say, what the readings of a span mean.

pub mod meter_book;
pub mod report;
