//! The least cost that anyone could have reached who had known the future: a bound, no promise.

use super::course::Levels;
use super::step::Step;
use super::terms::Terms;
use super::worth::Worth;

/// What steers best in each step.
pub(super) fn levels(steps: &[Step], terms: &Terms) -> Vec<[Levels; 2]> {
    let mut worth = Worth::at_end(terms);
    let mut levels: Vec<[Levels; 2]> = steps.iter().rev().map(|step| worth.before(step, terms)).collect();
    levels.reverse();
    levels
}
