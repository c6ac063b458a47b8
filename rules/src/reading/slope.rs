//! Power from what only counts: registers and pulses.

use crate::home::Unit;
use crate::time::Moment;

const WATTS_PER_KWH_PER_MS: f64 = 3_600_000.0 * 1000.0;

/// What is known of a register or a pulse counter.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Slope {
    last: Option<(Moment, f64)>,
    last_pulse: Option<Moment>,
    counted: Option<(Moment, f64)>,
}

impl Slope {
    /// Takes a number and gives the power in watts since the one before it; `None` where that can't be told.
    ///
    /// A register that steps back was exchanged or has rolled over: it starts afresh.
    pub(crate) fn power_w(
        &mut self,
        unit: Unit,
        value: f64,
        at: Moment,
        previous_w: Option<f64>,
    ) -> Option<f64> {
        match unit {
            Unit::Kwh => self.register_w(value, at),
            Unit::Wh => self.register_w(value / 1000.0, at),
            Unit::PulseCount { per_kwh } => {
                let before = self.last.map(|(_, count)| count);
                self.last = Some((at, value));
                let pulses = value - before?;
                self.pulses_w(per_kwh, pulses, at, previous_w)
            }
            Unit::Pulses { per_kwh } => self.pulses_w(per_kwh, value, at, previous_w),
            Unit::W | Unit::Kw | Unit::A => None,
        }
    }

    /// Energy counted so far, in kilowatt-hours, with the time of the newest count.
    pub(crate) fn counted_kwh(&self) -> Option<(Moment, f64)> {
        self.counted
    }

    fn register_w(&mut self, kwh: f64, at: Moment) -> Option<f64> {
        self.counted = Some((at, kwh));
        let before = self.last.replace((at, kwh));
        let (then, kwh_then) = before?;
        let ms = (at - then).0;
        (ms > 0 && kwh >= kwh_then).then(|| (kwh - kwh_then) * WATTS_PER_KWH_PER_MS / ms as f64)
    }

    fn pulses_w(&mut self, per_kwh: f64, pulses: f64, at: Moment, previous_w: Option<f64>) -> Option<f64> {
        if pulses < 0.0 {
            self.last_pulse = None;
            return None;
        }
        let before = self.counted.map_or(0.0, |(_, kwh)| kwh);
        self.counted = Some((at, before + pulses / per_kwh));
        if pulses == 0.0 {
            return match (previous_w, self.ceiling_w(per_kwh, at)) {
                (Some(before), Some(ceiling)) => Some(before.abs().min(ceiling)),
                (_, ceiling) => ceiling,
            };
        }
        let then = self.last_pulse.replace(at)?;
        let ms = (at - then).0;
        (ms > 0).then(|| pulses * WATTS_PER_KWH_PER_MS / (per_kwh * ms as f64))
    }

    /// Between pulses the power is at most one pulse in the time since the last.
    pub(crate) fn ceiling_w(&self, per_kwh: f64, now: Moment) -> Option<f64> {
        let ms = (now - self.last_pulse?).0;
        (ms > 0).then(|| WATTS_PER_KWH_PER_MS / (per_kwh * ms as f64))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn second(s: i64) -> Moment {
        Moment(s * 1000)
    }

    /// P = 3 600 000 / (K · Δt), IEC 62053-31 style pulse outputs; the figures are plain arithmetic.
    #[test]
    fn pulses_become_watts() {
        for (per_kwh, seconds, watts) in
            [(1000.0, 3.6, 1000.0), (800.0, 4.5, 1000.0), (3200.0, 1.125, 1000.0)]
        {
            let mut slope = Slope::default();
            let unit = Unit::Pulses { per_kwh };
            assert_eq!(slope.power_w(unit, 1.0, Moment(0), None), None);
            let power = slope.power_w(unit, 1.0, Moment((seconds * 1000.0) as i64), None);
            assert!((power.unwrap() - watts).abs() < 1e-6);
        }
    }

    #[test]
    fn between_pulses_the_power_can_only_fall() {
        let mut slope = Slope::default();
        let unit = Unit::Pulses { per_kwh: 1000.0 };
        slope.power_w(unit, 1.0, second(0), None);
        let busy = slope.power_w(unit, 1.0, second(4), None);
        assert_eq!(busy, Some(900.0));
        assert_eq!(slope.power_w(unit, 0.0, second(6), busy), Some(900.0));
        assert_eq!(slope.power_w(unit, 0.0, second(40), busy), Some(100.0));
    }

    #[test]
    fn a_register_that_steps_back_starts_afresh() {
        let mut slope = Slope::default();
        assert_eq!(slope.power_w(Unit::Kwh, 10.0, second(0), None), None);
        assert_eq!(slope.power_w(Unit::Kwh, 10.5, second(1800), None), Some(1000.0));
        assert_eq!(slope.power_w(Unit::Kwh, 0.1, second(3600), None), None);
        let again = slope.power_w(Unit::Kwh, 0.6, second(5400), None);
        assert!((again.unwrap() - 1000.0).abs() < 1e-6);
    }
}
