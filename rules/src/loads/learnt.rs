//! What a load has taught: watts drawn for each watt commanded.

use crate::limits;

/// The learnt ratio of drawn to commanded watts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Learnt {
    /// The ratio, within [`limits::RATIO_MIN`] and [`limits::RATIO_MAX`].
    pub(crate) ratio: f64,
    /// What the last start of an unmetered load seemed to say.
    last_start: Option<f64>,
    /// The household has been told that the ratio is odd.
    pub(crate) told: bool,
}

impl Default for Learnt {
    fn default() -> Learnt {
        Learnt { ratio: 1.0, last_start: None, told: false }
    }
}

impl Learnt {
    /// The ratio that was kept over a restart.
    pub(crate) fn kept(ratio: f64) -> Learnt {
        Learnt { ratio: bounded(ratio), ..Learnt::default() }
    }

    /// Takes what a settled metered load shows. Upwards from any draw; downwards only from a start at the floor, since
    /// a full car or a closed thermostat is no measure of the installation.
    pub(crate) fn metered(&mut self, seen: f64, start_at_floor: bool) {
        let seen_counts = seen >= limits::RATIO_TEACHES;
        if seen_counts && (seen > self.ratio || start_at_floor) {
            self.ratio = bounded(seen);
        }
    }

    /// Takes what the grid answered to the start of an unmetered load; two starts in a row must agree.
    pub(crate) fn unmetered_start(&mut self, seen: f64) {
        if seen < limits::RATIO_TEACHES {
            return;
        }
        let seen = bounded(seen);
        if let Some(before) = self.last_start.replace(seen)
            && (before - seen).abs() <= limits::RATIO_AGREES * before.max(seen)
        {
            self.ratio = bounded((before + seen) / 2.0);
        }
    }

    /// Whether the ratio says that the home file describes the load wrongly.
    pub(crate) fn is_odd(&self) -> bool {
        let (low, high) = limits::RATIO_NOTICE;
        !(low..=high).contains(&self.ratio)
    }
}

fn bounded(ratio: f64) -> f64 {
    ratio.clamp(limits::RATIO_MIN, limits::RATIO_MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_metered_load_teaches_upwards_at_any_time_and_downwards_only_from_a_start() {
        let mut learnt = Learnt::default();
        learnt.metered(2.9, false);
        assert_eq!(learnt.ratio, 2.9);
        learnt.metered(0.97, false);
        assert_eq!(learnt.ratio, 2.9);
        learnt.metered(0.97, true);
        assert_eq!(learnt.ratio, 0.97);
    }

    #[test]
    fn a_load_that_answers_with_less_than_half_teaches_nothing() {
        let mut learnt = Learnt::default();
        learnt.metered(0.4, true);
        learnt.unmetered_start(0.4);
        learnt.unmetered_start(0.4);
        assert_eq!(learnt.ratio, 1.0);
    }

    #[test]
    fn an_unmetered_load_teaches_when_two_starts_agree() {
        let mut learnt = Learnt::default();
        learnt.unmetered_start(3.0);
        assert_eq!(learnt.ratio, 1.0);
        learnt.unmetered_start(1.0);
        assert_eq!(learnt.ratio, 1.0, "one start disturbed by a kettle must not count");
        learnt.unmetered_start(1.1);
        assert!((learnt.ratio - 1.05).abs() < 1e-12);
    }

    #[test]
    fn the_ratio_stays_within_its_bounds() {
        let mut learnt = Learnt::default();
        learnt.metered(9.0, false);
        assert_eq!(learnt.ratio, limits::RATIO_MAX);
        learnt.metered(0.55, true);
        assert_eq!(learnt.ratio, limits::RATIO_MIN);
    }
}
