//! The car and its charge point.

use std::collections::VecDeque;

use super::chance::Chance;

/// A control pilot can't offer less (IEC 61851-1:2017 Annex A).
const LEAST_A: f64 = 6.0;

/// The cable's limit.
const MOST_A: f64 = 32.0;

/// How fast the car follows upwards, in amps a second; downwards it follows at once.
const RAMP_A_PER_S: f64 = 2.0;

/// Without a command for this long the charge point pauses by itself, in seconds.
const TIMEOUT_S: i64 = 120;

/// Share of the energy that reaches the battery.
const EFFICIENCY: f64 = 0.9;

/// What one trip uses, and what the battery holds, in kWh.
const TRIP_KWH: f64 = 9.0;
const BATTERY_KWH: f64 = 52.0;

/// Local times at which it is away, in minutes after midnight.
const AWAY_MIN: [(i64, i64); 2] = [(7 * 60 + 50, 10 * 60 + 10), (15 * 60 + 10, 17 * 60 + 40)];

/// The car and its charge point.
#[derive(Debug, Clone)]
pub(super) struct Car {
    chance: Chance,
    /// Commands on their way: the second at which each takes effect, and its amps.
    coming: VecDeque<(i64, f64)>,
    commanded_s: i64,
    offered_a: f64,
    drawn_a: f64,
    room_kwh: f64,
    plugged: bool,
}

impl Car {
    /// A car with room for so many kilowatt-hours.
    pub(super) fn new(seed: u64, room_kwh: f64) -> Car {
        Car {
            chance: Chance::new(seed, 3),
            coming: VecDeque::new(),
            commanded_s: 0,
            offered_a: 0.0,
            drawn_a: 0.0,
            room_kwh,
            plugged: true,
        }
    }

    /// Takes whole amps; it obeys 5 to 8 seconds later. What is said twice only keeps the first alive.
    pub(super) fn command(&mut self, now_s: i64, amps: f64) {
        self.commanded_s = now_s;
        let amps = amps.floor();
        let wanted = if amps < LEAST_A { 0.0 } else { amps.min(MOST_A) };
        let last = self.coming.back().map_or(self.offered_a, |(_, amps)| *amps);
        if wanted != last {
            self.coming.push_back((now_s + self.chance.between(5.0, 9.0) as i64, wanted));
        }
    }

    /// One second passes; what it draws, in watts.
    pub(super) fn second(&mut self, now_s: i64, local_s: i64, volts: f64) -> f64 {
        self.come_and_go(local_s / 60);
        while self.coming.front().is_some_and(|(due, _)| *due <= now_s) {
            self.offered_a = self.coming.pop_front().map_or(0.0, |(_, amps)| amps);
        }
        if now_s - self.commanded_s > TIMEOUT_S {
            self.coming.clear();
            self.offered_a = 0.0;
        }
        let takes = self.plugged && self.room_kwh > 0.0;
        let wanted = if takes { self.offered_a } else { 0.0 };
        self.drawn_a = wanted.min((self.drawn_a + RAMP_A_PER_S).max(LEAST_A));
        let watts = self.drawn_a * volts;
        self.room_kwh = (self.room_kwh - watts * EFFICIENCY / 3.6e6).max(0.0);
        watts
    }

    fn come_and_go(&mut self, local_min: i64) {
        let away = AWAY_MIN.iter().any(|(from, to)| (*from..*to).contains(&local_min));
        if away && self.plugged {
            self.room_kwh = (self.room_kwh + TRIP_KWH).min(BATTERY_KWH);
        }
        self.plugged = !away;
    }

    pub(super) fn plugged(&self) -> bool {
        self.plugged
    }

    pub(super) fn room_kwh(&self) -> f64 {
        self.room_kwh
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Watts of each second from 11:00 with this command at the start, repeated every 30 s.
    fn run(car: &mut Car, amps: f64, seconds: i64) -> Vec<f64> {
        let second = |s: i64| {
            if s % 30 == 0 {
                car.command(s, amps);
            }
            car.second(s, 11 * 3600 + s, 230.0)
        };
        (0..seconds).map(second).collect()
    }

    #[test]
    fn it_obeys_late_and_ramps() {
        let watts = run(&mut Car::new(1, 20.0), 16.0, 60);
        assert!(watts[..5].iter().all(|w| *w == 0.0), "not before five seconds");
        assert!(watts[9] > 0.0, "after nine it has begun: {:?}", &watts[..10]);
        assert_eq!(watts[30], 16.0 * 230.0);
        assert!(watts.windows(2).all(|w| w[1] - w[0] <= LEAST_A * 230.0 + 1.0));
    }

    #[test]
    fn below_six_amps_is_nothing() {
        assert!(run(&mut Car::new(1, 20.0), 5.9, 60).iter().all(|w| *w == 0.0));
    }

    #[test]
    fn a_full_car_takes_nothing_more() {
        let mut car = Car::new(1, 0.5);
        let drawn: f64 = run(&mut car, 32.0, 1800).iter().sum::<f64>() / 3.6e6;
        assert_eq!(car.room_kwh(), 0.0);
        assert!((drawn - 0.5 / EFFICIENCY).abs() < 0.01, "{drawn} kWh");
    }

    #[test]
    fn without_commands_it_pauses_by_itself() {
        let mut car = Car::new(1, 20.0);
        car.command(0, 10.0);
        let watts: Vec<f64> = (0..200).map(|s| car.second(s, 11 * 3600 + s, 230.0)).collect();
        assert_eq!((watts[119], watts[130]), (2300.0, 0.0));
    }

    #[test]
    fn it_leaves_and_comes_back_with_room() {
        let mut car = Car::new(1, 10.0);
        car.second(0, 15 * 3600 + 9 * 60, 230.0);
        assert!(car.plugged());
        car.second(60, 15 * 3600 + 10 * 60, 230.0);
        assert!(!car.plugged());
        car.second(9060, 17 * 3600 + 40 * 60, 230.0);
        assert!(car.plugged());
        assert_eq!(car.room_kwh(), 19.0);
    }
}
