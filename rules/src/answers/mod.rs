//! What the readings mean: answers over what was recorded, without files and clocks.

pub mod battery;
pub mod meter_book;
pub mod report;
