//! The hot-water tank: a heater that takes any power, and a thermostat of its own.

use super::chance::Chance;

/// Heat capacity of water, in kJ/(kg K); a litre weighs a kilogram here.
const WATER_KJ: f64 = 4.186;

const LITRES: f64 = 180.0;
const COLD_C: f64 = 12.0;
const ROOM_C: f64 = 20.0;

/// Loss through the lagging, in watts a kelvin.
const LOSS_W_PER_K: f64 = 1.6;

const HEATER_W: f64 = 3000.0;

/// The thermostat opens and closes here, in degrees Celsius.
const OPENS_C: f64 = 65.0;
const CLOSES_C: f64 = 58.0;

/// Without a command for this long the heater goes off by itself, in seconds.
const TIMEOUT_S: i64 = 120;

/// Water drawn every day: local minute after midnight, and litres.
const DRAWN: &[(i64, f64)] = &[
    (7 * 60 + 30, 25.0),
    (8 * 60 + 15, 6.0),
    (11 * 60 + 5, 4.0),
    (12 * 60 + 50, 14.0),
    (15 * 60, 5.0),
    (18 * 60 + 55, 20.0),
    (21 * 60 + 20, 70.0),
];

/// The tank.
#[derive(Debug, Clone)]
pub(super) struct Tank {
    chance: Chance,
    wanted_w: f64,
    commanded_s: i64,
    celsius: f64,
    open: bool,
}

impl Tank {
    pub(super) fn new(seed: u64, celsius: f64) -> Tank {
        Tank { chance: Chance::new(seed, 4), wanted_w: 0.0, commanded_s: 0, celsius, open: false }
    }

    /// Takes watts, and follows within the second.
    pub(super) fn command(&mut self, now_s: i64, watts: f64) {
        self.commanded_s = now_s;
        self.wanted_w = watts.clamp(0.0, HEATER_W);
    }

    /// One second passes; what the heater draws, in watts.
    pub(super) fn second(&mut self, now_s: i64, local_s: i64) -> f64 {
        if now_s - self.commanded_s > TIMEOUT_S {
            self.wanted_w = 0.0;
        }
        self.draw_off(local_s);
        self.open = self.celsius >= if self.open { CLOSES_C } else { OPENS_C };
        let watts = if self.open { 0.0 } else { self.wanted_w };
        let loss_w = LOSS_W_PER_K * (self.celsius - ROOM_C);
        self.celsius += (watts - loss_w) / 1000.0 / (WATER_KJ * LITRES);
        watts
    }

    /// What is drawn is made up with cold water and mixes at once.
    fn draw_off(&mut self, local_s: i64) {
        let drawn = DRAWN.iter().find(|(minute, _)| minute * 60 == local_s);
        let Some((_, litres)) = drawn else { return };
        let litres = litres * self.chance.between(0.8, 1.2);
        self.celsius += (COLD_C - self.celsius) * litres / LITRES;
    }

    pub(super) fn celsius(&self) -> f64 {
        self.celsius
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    #[test]
    fn three_kilowatts_warm_it_as_physics_says() {
        let mut tank = Tank::new(1, 20.0);
        for s in 0..3600 {
            tank.command(s, 3000.0);
            assert_eq!(tank.second(s, 9 * 3600 + s), 3000.0);
        }
        // 10,800 kJ into 180 kg, less a little loss.
        let without_loss = 20.0 + 10_800.0 / (4.186 * 180.0);
        assert!((without_loss - tank.celsius()).abs() < 0.1, "{}", tank.celsius());
    }

    #[test]
    fn the_thermostat_opens_at_65_and_closes_at_58() {
        let mut tank = Tank::new(1, 64.9);
        let (mut hottest, mut opened, mut closed_at) = (0.0_f64, false, None);
        for s in 0..100_000 {
            tank.command(s, 3000.0);
            // Half past nine for ever: nobody draws water.
            let watts = tank.second(s, 9 * 3600 + 1800);
            hottest = hottest.max(tank.celsius());
            if opened && watts > 0.0 && closed_at.is_none() {
                closed_at = Some(tank.celsius());
            }
            opened |= watts == 0.0;
        }
        assert!((65.0..65.1).contains(&hottest), "{hottest}");
        assert!((closed_at.unwrap() - 58.0).abs() < 0.05, "{closed_at:?}");
    }

    #[test]
    fn a_bath_cools_it() {
        let mut tank = Tank::new(1, 60.0);
        tank.second(0, (21 * 60 + 20) * 60);
        assert!((34.0..47.0).contains(&tank.celsius()), "{}", tank.celsius());
    }

    #[test]
    fn without_commands_it_goes_off_by_itself() {
        let mut tank = Tank::new(1, 40.0);
        tank.command(0, 1000.0);
        let watts: Vec<f64> = (0..130).map(|s| tank.second(s, 9 * 3600 + s)).collect();
        assert_eq!((watts[119], watts[125]), (1000.0, 0.0));
    }
}
