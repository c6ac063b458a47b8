//! Where the test load truly was. Whoever plugs it in may take one socket for another's phase, or a thermostat may keep
//! it off: then right points answer as if they were wrong, all of them together.

use super::site::Site;
use super::step::What;

/// For each phase that was said, the phase on which the load truly was; 0 where it drew nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Elsewhere([u8; 3]);

impl Elsewhere {
    /// As said.
    pub(super) const AS_SAID: Elsewhere = Elsewhere([1, 2, 3]);

    /// As said first; then one socket on another phase or without power, two exchanged, all turned on by one, none with
    /// power.
    pub(super) fn all(site: &Site) -> Vec<Elsewhere> {
        if site.phases != 3 {
            return vec![Self::AS_SAID, Elsewhere([0; 3])];
        }
        let mut all = vec![Self::AS_SAID];
        for said in 0..3_usize {
            for truly in (0..=3_u8).filter(|t| usize::from(*t) != said + 1) {
                let mut phases = Self::AS_SAID.0;
                if let Some(phase) = phases.get_mut(said) {
                    *phase = truly;
                }
                all.push(Elsewhere(phases));
            }
        }
        all.extend([[2, 1, 3], [3, 2, 1], [1, 3, 2], [2, 3, 1], [3, 1, 2], [0, 0, 0]].map(Elsewhere));
        all
    }

    pub(super) fn is_as_said(self) -> bool {
        self == Self::AS_SAID
    }

    /// What was truly switched where `what` was said; `None` for nothing.
    pub(super) fn truly(self, what: What) -> Option<What> {
        let What::TestLoad(said) = what else {
            return Some(what);
        };
        match (said, self.0.get(usize::from(said.unwrap_or(1).saturating_sub(1)))) {
            (_, Some(0)) => None,
            (Some(_), Some(truly)) => Some(What::TestLoad(Some(*truly))),
            _ => Some(what),
        }
    }
}
