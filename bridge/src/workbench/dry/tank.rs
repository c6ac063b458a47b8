//! A simple tank of hot water: what it would have become of it shows whether rules lift it to 60 °C.
//!
//! One temperature throughout, as if stirred; the sensor of a real tank tells one place only. A household's litres leave it
//! three times a day and come back cold.

use overspill_rules::time::Span;

/// From here on legionella die within the hour (HSE L8 and HSG274 Part 2:2014 ask for hot water to be stored at 60 °C or
/// more; a weekly lift of the whole tank is common practice where a household keeps it cooler).
pub(crate) const HOT_C: f64 = 60.0;

/// So long it must stay hot (common practice).
pub(crate) const HOT_FOR: Span = Span::hours(1);

/// Energy that warms a litre of water by a kelvin, in watt-hours: 4.186 kJ/(kg K), a kilogram a litre.
const WH_PER_LITRE_K: f64 = 4.186 / 3.6;

/// A tank of a family (common practice), in litres.
const LITRES: f64 = 180.0;

/// Loss through the lagging, in watts a kelvin (from memory: a modern lagged tank of this size).
const LOSS_W_PER_K: f64 = 1.6;

const ROOM_C: f64 = 20.0;
const COLD_C: f64 = 12.0;
const BEGINS_C: f64 = 45.0;

/// Where no thermostat is declared the heater still has one (60 to 65 °C are usual).
const USUAL_THERMOSTAT_C: f64 = 65.0;

/// A thermostat closes again so far below the temperature at which it opens, in kelvin.
const HYSTERESIS_K: f64 = 5.0;

/// Minutes after the start of each day, and litres that are drawn within the minute.
const DRAWN: [(i64, f64); 3] = [(7 * 60 + 30, 40.0), (13 * 60, 10.0), (20 * 60, 50.0)];

/// The tank of one load.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tank {
    celsius: f64,
    thermostat_c: f64,
    open: bool,
    hot_since: Option<Span>,
    /// The longest time for which it was hot without a break.
    pub(crate) hot_for: Span,
    /// Whether its thermostat opened while the heater was to run.
    pub(crate) opened: bool,
}

impl Tank {
    /// A lukewarm tank whose heater's thermostat opens at `thermostat_c`.
    pub(crate) fn new(thermostat_c: Option<f64>) -> Tank {
        let thermostat_c = thermostat_c.unwrap_or(USUAL_THERMOSTAT_C);
        Tank {
            celsius: BEGINS_C,
            thermostat_c,
            open: false,
            hot_since: None,
            hot_for: Span::ZERO,
            opened: false,
        }
    }

    /// What its sensor tells, in °C.
    pub(crate) fn celsius(&self) -> f64 {
        self.celsius
    }

    /// `wanted_w` is offered for `lasts`, which ends at `now`; what the heater takes, in watts.
    pub(crate) fn heat(&mut self, now: Span, lasts: Span, wanted_w: f64) -> f64 {
        if self.celsius >= self.thermostat_c {
            self.open = true;
            self.opened |= wanted_w > 0.0;
        } else if self.celsius < self.thermostat_c - HYSTERESIS_K {
            self.open = false;
        }
        let draw_w = if self.open { 0.0 } else { wanted_w.max(0.0) };
        let lost_w = LOSS_W_PER_K * (self.celsius - ROOM_C);
        self.celsius += (draw_w - lost_w) * lasts.as_hours() / (LITRES * WH_PER_LITRE_K);
        self.drawn_off(now, lasts);
        self.note(now);
        draw_w
    }

    fn drawn_off(&mut self, now: Span, lasts: Span) {
        let day = Span::hours(24).0;
        let (from, until) = ((now.0 - lasts.0).rem_euclid(day), now.0.rem_euclid(day));
        for (minute, litres) in DRAWN {
            let at = minute * 60_000;
            if from < at && at <= until {
                self.celsius += (COLD_C - self.celsius) * litres / LITRES;
            }
        }
    }

    fn note(&mut self, now: Span) {
        if self.celsius < HOT_C {
            self.hot_since = None;
            return;
        }
        let since = *self.hot_since.get_or_insert(now);
        self.hot_for = self.hot_for.max(now - since);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MINUTE: Span = Span::minutes(1);

    /// A tank that is offered `watts` for `minutes`, from midnight on.
    fn heated(thermostat_c: Option<f64>, watts: f64, minutes: i64) -> (Tank, f64) {
        let mut tank = Tank::new(thermostat_c);
        let drawn = (1..=minutes).map(|m| tank.heat(Span::minutes(m), MINUTE, watts) / 60_000.0).sum();
        (tank, drawn)
    }

    #[test]
    fn what_goes_in_warms_it() {
        // 1.163 Wh warm a litre by a kelvin: 180 l from 45 to 60 °C take 3.14 kWh, an hour at 3 kW and a little for the loss.
        let (tank, kwh) = heated(None, 3000.0, 65);
        assert!((kwh - 3.25).abs() < 1e-9, "{kwh}");
        assert!((60.0..60.6).contains(&tank.celsius()), "{}", tank.celsius());
    }

    #[test]
    fn an_hour_without_a_break_counts() {
        let hot = |minutes| heated(None, 3000.0, minutes).0.hot_for;
        assert!(hot(100) < HOT_FOR && hot(130) >= HOT_FOR, "{} {}", hot(100), hot(130));
    }

    #[test]
    fn its_thermostat_opens_only_where_it_is_heated() {
        let (tank, _) = heated(Some(60.0), 3000.0, 120);
        assert!(tank.opened && tank.celsius() <= 60.1);
        assert!(!heated(Some(60.0), 0.0, 120).0.opened);
        assert!(!heated(Some(70.0), 500.0, 120).0.opened);
    }

    #[test]
    fn without_heat_a_household_uses_it_up() {
        let (tank, _) = heated(None, 0.0, 3 * 24 * 60);
        assert!(tank.celsius() < 22.0, "{}", tank.celsius());
    }
}
