//! What a rule may ask of a load.

use serde::{Deserialize, Serialize};

/// One request of one rule for one load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Request {
    /// Take spare power, on these terms.
    TakeSpare(SpareTerms),
    /// Run at the ceiling, whatever the source of the power.
    Run,
    /// Run at this many watts.
    RunAtW(f64),
    /// Run at this many amps.
    RunAtA(f64),
    /// Do not run.
    Stop,
}

/// Terms on which spare power is taken. All in watts, none negative.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct SpareTerms {
    /// Do not run below this; the load's floor where lower.
    pub at_least_w: Option<f64>,
    /// Do not run above this; the load's ceiling where higher.
    pub at_most_w: Option<f64>,
    /// Leave this much spare power untouched.
    pub keep_w: f64,
    /// Up to this much may come from the grid to reach the floor.
    pub grid_up_to_w: f64,
}

impl Request {
    /// Whether it takes spare power only.
    pub fn is_spare(&self) -> bool {
        matches!(self, Request::TakeSpare(_))
    }
}
