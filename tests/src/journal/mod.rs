//! Journals for measurements: what is put in, and how much room it takes.

pub mod fill;
pub mod report;
pub mod size;
pub mod year;
