//! The household: what it uses without the driven loads.

use super::chance::Chance;

/// Standby of everything that is always on, in watts.
const STANDBY_W: f64 = 190.0;

/// A fridge runs for part of each round.
const FRIDGE_W: f64 = 85.0;
const FRIDGE_ON_S: i64 = 18 * 60;
const FRIDGE_ROUND_S: i64 = 50 * 60;

/// A kettle: watts and seconds.
const KETTLE_W: f64 = 2800.0;
const KETTLE_S: f64 = 150.0;

/// Something that happens every day at about the same time.
struct Habit {
    /// Local time, in minutes after midnight.
    at_min: i64,
    lasts_min: i64,
    watts: f64,
    /// Seconds on in each minute: a hob's thermostat switches all the time.
    on_s: i64,
}

const HABITS: &[Habit] = &[
    Habit { at_min: 7 * 60 + 10, lasts_min: 6, watts: 8500.0, on_s: 60 }, // a shower
    Habit { at_min: 11 * 60 + 20, lasts_min: 5, watts: 8500.0, on_s: 60 }, // another, after a run
    Habit { at_min: 12 * 60 + 30, lasts_min: 15, watts: 1600.0, on_s: 38 }, // a hob
    Habit { at_min: 18 * 60 + 15, lasts_min: 40, watts: 2600.0, on_s: 34 }, // hob and oven
    Habit { at_min: 20 * 60, lasts_min: 150, watts: 130.0, on_s: 60 },    // lights and screens
];

/// The household.
#[derive(Debug, Clone)]
pub(super) struct People {
    chance: Chance,
    /// Small things that come and go slowly, in watts.
    wander_w: f64,
    kettle_s: f64,
}

impl People {
    pub(super) fn new(seed: u64) -> People {
        People { chance: Chance::new(seed, 2), wander_w: 40.0, kettle_s: 0.0 }
    }

    /// One second passes, at this local second of the day; what they use, in watts.
    pub(super) fn second(&mut self, local_s: i64) -> f64 {
        if local_s % 60 == 0 {
            self.minute(local_s / 3600);
        }
        self.kettle_s = (self.kettle_s - 1.0).max(0.0);
        let kettle = if self.kettle_s > 0.0 { KETTLE_W } else { 0.0 };
        let fridge = if local_s % FRIDGE_ROUND_S < FRIDGE_ON_S { FRIDGE_W } else { 0.0 };
        let habits: f64 = HABITS.iter().filter(|h| h.runs(local_s)).map(|h| h.watts).sum();
        STANDBY_W + self.wander_w + fridge + kettle + habits
    }

    fn minute(&mut self, hour: i64) {
        self.wander_w = (self.wander_w + self.chance.between(-20.0, 20.0)).clamp(0.0, 200.0);
        let kettles_a_minute = match hour {
            7..=9 => 0.03,
            10..=16 => 0.015,
            17..=21 => 0.02,
            _ => 0.0,
        };
        if self.chance.happens(kettles_a_minute) {
            self.kettle_s = KETTLE_S;
        }
    }
}

impl Habit {
    fn runs(&self, local_s: i64) -> bool {
        let since = local_s - self.at_min * 60;
        (0..self.lasts_min * 60).contains(&since) && since % 60 < self.on_s
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_has_a_quiet_night_kettles_and_a_shower() {
        let mut people = People::new(3);
        let day: Vec<f64> = (0..86_400).map(|s| people.second(s)).collect();
        assert!(day[..6 * 3600].iter().all(|w| (190.0..500.0).contains(w)), "the night is quiet");
        let kettles = day.windows(2).filter(|w| (2000.0..3500.0).contains(&(w[1] - w[0]))).count();
        assert!((5..80).contains(&kettles), "{kettles} kettles");
        assert!(day[7 * 3600 + 12 * 60] > 8500.0, "somebody showers at twelve past seven");
        let kwh = day.iter().sum::<f64>() / 3.6e6;
        assert!((7.0..16.0).contains(&kwh), "{kwh} kWh a day");
    }
}
