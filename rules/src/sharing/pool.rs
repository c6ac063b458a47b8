//! Spare power that is still to be shared out, in sum and per phase.

use crate::balance::Phased;
use crate::home::{Home, Load, Netting};

/// What is left to share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pool {
    sum_w: f64,
    phases_w: Option<[f64; 3]>,
    per_phase: bool,
}

impl Pool {
    /// All spare power of a home.
    pub(crate) fn new(home: &Home, spare: Phased) -> Pool {
        let per_phase = home.supply.phases == 3 && home.supply.netting == Netting::Phase;
        Pool { sum_w: spare.sum, phases_w: spare.phases, per_phase }
    }

    /// What is there for `load`: the sum, or where each phase is billed by itself the least of its phases times their
    /// number. Phases that are not known have nothing to share.
    pub(crate) fn for_load(&self, load: &Load) -> f64 {
        if !self.per_phase {
            return self.sum_w;
        }
        let Some(phases) = self.phases_w else { return 0.0 };
        let least = load.phase_indices().map(|i| phases[i]).fold(f64::INFINITY, f64::min);
        least * f64::from(load.phases)
    }

    /// Takes `watts` for `load`.
    pub(crate) fn take(&mut self, load: &Load, watts: f64) {
        self.sum_w -= watts;
        if let Some(phases) = &mut self.phases_w {
            load.phase_indices().for_each(|i| phases[i] -= watts / f64::from(load.phases));
        }
    }
}
