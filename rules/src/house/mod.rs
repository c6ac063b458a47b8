//! A simulated home of our own invention, for the demo and for trying the controller: a roof under broken cloud,
//! people, a car that comes and goes, a tank with a thermostat, and a pond pump.
//!
//! It knows nothing of the controller. It takes commands as its devices would, obeys them in its own time, and keeps
//! its own account of what flowed ([`Ledger`]), second by second. The same seed, start and commands give the same day.

mod car;
mod chance;
mod ledger;
mod people;
mod sky;
mod tank;

use jiff::tz::TimeZone;

pub use ledger::Ledger;

use crate::time::{Span, WallTime};
use car::Car;
use ledger::Flows;
use people::People;
use sky::Sky;
use tank::Tank;

/// The zone in which the simulated people live.
pub const ZONE: &str = "Europe/London";

/// Voltage at the home with nothing flowing, and how much each amp from the street takes off it: a long cable.
const IDLE_VOLTS: f64 = 238.0;
const STREET_OHM: f64 = 0.25;

const PUMP_W: f64 = 420.0;

/// Without a command for this long the pump's relay opens, in seconds.
const PUMP_TIMEOUT_S: i64 = 120;

/// Room in the car's battery at the start, in kWh.
const CAR_ROOM_KWH: f64 = 28.0;

/// The tank at the start, in degrees Celsius: a household showered.
const TANK_C: f64 = 44.0;

/// What the home's devices measure at one second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Readings {
    /// The time of the measurement.
    pub at: WallTime,
    /// Power from the street, in watts; negative is sent out.
    pub grid_w: f64,
    /// Power of the roof, in watts.
    pub solar_w: f64,
    /// Voltage at the home.
    pub volts: f64,
    /// What the car draws, in watts.
    pub car_w: f64,
    /// Whether the car is plugged in.
    pub car_plugged: bool,
    /// What the tank's heater draws, in watts.
    pub heater_w: f64,
    /// The tank's temperature, in degrees Celsius.
    pub tank_c: f64,
    /// What the pond pump draws, in watts.
    pub pump_w: f64,
}

/// The simulated home.
#[derive(Debug, Clone)]
pub struct SimulatedHome {
    start: WallTime,
    /// Seconds since the start.
    now_s: i64,
    /// What local time is ahead of UTC, in seconds.
    ahead_s: i64,
    sky: Sky,
    people: People,
    car: Car,
    tank: Tank,
    pump_on: bool,
    pump_commanded_s: i64,
    flows: Flows,
    volts: f64,
    ledger: Ledger,
}

impl SimulatedHome {
    /// A home at `start`, with the day that `seed` gives. The clock of its people keeps the offset of that day.
    pub fn new(seed: u64, start: WallTime) -> SimulatedHome {
        SimulatedHome {
            start,
            now_s: 0,
            ahead_s: ahead_of_utc(start),
            sky: Sky::new(seed),
            people: People::new(seed),
            car: Car::new(seed, CAR_ROOM_KWH),
            tank: Tank::new(seed, TANK_C),
            pump_on: false,
            pump_commanded_s: 0,
            flows: Flows::default(),
            volts: IDLE_VOLTS,
            ledger: Ledger::default(),
        }
    }

    /// Lets so many seconds pass, one after the other.
    pub fn advance(&mut self, seconds: u32) {
        for _ in 0..seconds {
            self.second();
        }
    }

    fn second(&mut self) {
        self.now_s += 1;
        let local_s = (self.wall().0.div_euclid(1000) + self.ahead_s).rem_euclid(86_400);
        if self.now_s - self.pump_commanded_s > PUMP_TIMEOUT_S {
            self.pump_on = false;
        }
        self.flows = Flows {
            solar_w: self.sky.second(self.wall()),
            people_w: self.people.second(local_s),
            car_w: self.car.second(self.now_s, local_s, self.volts),
            heater_w: self.tank.second(self.now_s, local_s),
            pump_w: if self.pump_on { PUMP_W } else { 0.0 },
        };
        self.volts = IDLE_VOLTS - STREET_OHM * self.flows.grid_w() / IDLE_VOLTS;
        self.ledger.add_second(&self.flows);
    }

    /// Tells the charge point what it may draw, in whole amps; below 6 is a pause.
    pub fn command_car_amps(&mut self, amps: f64) {
        self.car.command(self.now_s, amps);
    }

    /// Tells the tank's heater what to draw, 0 to 3000 watts.
    pub fn command_heater_w(&mut self, watts: f64) {
        self.tank.command(self.now_s, watts);
    }

    /// Switches the pond pump.
    pub fn command_pump(&mut self, on: bool) {
        self.pump_commanded_s = self.now_s;
        self.pump_on = on;
    }

    /// What the devices measure now.
    pub fn readings(&self) -> Readings {
        Readings {
            at: self.wall(),
            grid_w: self.flows.grid_w(),
            solar_w: self.flows.solar_w,
            volts: self.volts,
            car_w: self.flows.car_w,
            car_plugged: self.car.plugged(),
            heater_w: self.flows.heater_w,
            tank_c: self.tank.celsius(),
            pump_w: self.flows.pump_w,
        }
    }

    /// The home's own account so far.
    pub fn ledger(&self) -> Ledger {
        self.ledger
    }

    /// The time at the home.
    pub fn wall(&self) -> WallTime {
        self.start + Span::seconds(self.now_s)
    }

    /// Room left in the car's battery, in kWh.
    pub fn car_room_kwh(&self) -> f64 {
        self.car.room_kwh()
    }
}

fn ahead_of_utc(at: WallTime) -> i64 {
    let zone = jiff::tz::TimeZoneDatabase::bundled().get(ZONE).unwrap_or(TimeZone::UTC);
    at.in_zone(&zone).map_or(0, |time| i64::from(time.offset().seconds()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    /// 2026-06-18 10:40 in London.
    const MORNING: WallTime = WallTime(1_781_775_600_000);

    /// Simple-minded: everything on, whatever the sun does.
    fn driven(seed: u64, hours: u32) -> SimulatedHome {
        let mut home = SimulatedHome::new(seed, MORNING);
        for _ in 0..hours * 60 {
            home.command_car_amps(10.0);
            home.command_heater_w(1200.0);
            home.command_pump(true);
            home.advance(60);
        }
        home
    }

    #[test]
    fn the_morning_is_twenty_to_eleven_in_london() {
        let zone = jiff::tz::TimeZoneDatabase::bundled().get(ZONE).unwrap();
        assert_eq!(MORNING.in_zone(&zone).unwrap().to_string(), "2026-06-18T10:40:00+01:00[Europe/London]");
        assert_eq!(ahead_of_utc(MORNING), 3600);
    }

    #[test]
    fn energy_closes() {
        let l = driven(1, 24).ledger();
        assert!((l.solar_kwh + l.import_kwh - l.used_kwh - l.export_kwh).abs() < 1e-6, "{l:?}");
        let loads = l.car_kwh + l.heater_kwh + l.pump_kwh;
        assert!((l.caught_kwh + l.bought_for_loads_kwh - loads).abs() < 1e-6, "{l:?}");
        assert!(l.caught_kwh > 0.0 && l.caught_kwh < l.spare_kwh, "{l:?}");
        // What is spare is caught or sent out, nothing else.
        assert!((l.spare_kwh - l.caught_kwh - l.export_kwh).abs() < 1e-6, "{l:?}");
    }

    #[test]
    fn left_alone_it_catches_nothing() {
        let mut home = SimulatedHome::new(1, MORNING);
        home.advance(6 * 3600);
        let l = home.ledger();
        assert_eq!((l.caught_kwh, l.car_kwh, l.heater_kwh, l.bought_for_loads_kwh), (0.0, 0.0, 0.0, 0.0));
        assert!(l.export_kwh > 8.0, "{l:?}");
    }

    #[test]
    fn the_same_seed_gives_the_same_day_and_another_seed_another() {
        let (once, again, other) = (driven(5, 8), driven(5, 8), driven(6, 8));
        assert_eq!((once.ledger(), once.readings()), (again.ledger(), again.readings()));
        assert_ne!(once.ledger(), other.ledger());
    }

    #[test]
    fn readings_agree_with_each_other() {
        let home = driven(1, 1);
        let r = home.readings();
        assert_eq!(r.at, MORNING + Span::hours(1));
        assert!(
            (r.grid_w + r.solar_w - r.car_w - r.heater_w - r.pump_w) > 100.0,
            "people use something: {r:?}"
        );
        assert!((225.0..250.0).contains(&r.volts), "{r:?}");
        assert!((r.car_w - 10.0 * r.volts).abs() < 20.0, "{r:?}");
    }
}
