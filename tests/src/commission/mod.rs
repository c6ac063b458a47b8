//! A simulated home with faulty measuring points, and the count of right and wrong verdicts.
//!
//! The home is told second by second what truly flows in each conductor; the points see it through their faults. Nothing
//! here is shared with the diagnosis but the names of the causes and conductors.

pub mod chance;
pub mod faults;
pub mod flows;
pub mod plan;
pub mod recorded;
pub mod score;
pub mod table;
