//! What a battery would have done on the recorded history.
//!
//! The record is a [`Series`] of half hours with what would have been bought and sent out without a battery. A battery of
//! given [`Terms`] goes through it by a [`Strategy`], starting empty; over a gap in the record it keeps its charge. It
//! never sends out what it stored. What comes out is indicative: within a half hour all surplus is taken to come before
//! all need, so peaks that are shorter do not run into the limit of its power.

mod course;
mod equivalents;
mod foresight;
mod outcome;
mod past;
mod series;
mod step;
mod terms;
mod worth;

pub use course::Flow;
pub use equivalents::{CAR_KWH_PER_100_KM, KM_PER_MILE, car_km, water_litres};
pub use outcome::{Outcome, a_year, payback_years, run, what_if};
pub use series::{Observed, Series};
pub use step::Step;
pub use terms::{EFFICIENCY, POWER_PER_KWH, Terms};

/// How a battery is steered.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Strategy {
    /// Surplus is stored, and used as soon as there is need; nothing is bought to be stored.
    StoreSurplus,
    /// The grid fills as well when that is cheap enough, knowing only the past and the prices.
    FillCheap,
    /// The least cost of all, knowing the whole future: a bound that no battery reaches.
    Foresight,
}

impl Strategy {
    /// As JSON names it.
    pub fn word(self) -> &'static str {
        match self {
            Strategy::StoreSurplus => "store-surplus",
            Strategy::FillCheap => "fill-cheap",
            Strategy::Foresight => "foresight",
        }
    }
}
