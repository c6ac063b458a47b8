//! The cases of the bench, and which figures each must reach.
//!
//! The bars are those that the mechanism reached when it was designed, by simulation on the same kinds of days
//! ([`super::reference`] has its exact figures).

mod battery;
mod cars;
mod days;
mod faults;
mod household;
mod steady;

use super::day::Day;
use super::homes::Plan;
use super::plants::{Kind, Plant};
use super::run::{Case, Outcome};
use super::table::{Figure, Row};

/// Meter intervals of the days, in seconds.
const EVERY_S: [i64; 3] = [1, 10, 60];

/// Which of car and heater have meters of their own.
const METERING: [(bool, bool); 4] = [(true, true), (false, false), (true, false), (false, true)];

/// A case that has yet to be run.
pub struct Planned {
    /// The part of the table to which it belongs.
    pub part: &'static str,
    /// Its name.
    pub name: String,
    figures: Box<dyn Fn() -> Vec<Figure>>,
}

impl Planned {
    fn new(part: &'static str, name: String, figures: impl Fn() -> Vec<Figure> + 'static) -> Planned {
        Planned { part, name, figures: Box::new(figures) }
    }

    /// Runs it.
    pub fn run(&self) -> Row {
        Row::new(&self.name, (self.figures)())
    }
}

/// Every case, in the order of the table.
pub fn all() -> Vec<Planned> {
    let parts = [
        steady::cases(),
        days::cases(),
        cars::cases(),
        faults::cases(),
        battery::cases(),
        household::cases(),
    ];
    parts.into_iter().flatten().collect()
}

/// A small part of each kind of case: seconds, even where nothing is optimised.
pub fn short() -> Vec<Planned> {
    let named = |planned: &Planned| SHORT.contains(&planned.name.as_str());
    all().into_iter().filter(named).chain([steady::short()]).collect()
}

/// Their names; a few combinations of steady sun come on top.
pub const SHORT: [&str; 10] = [
    "clear day, metered, meter every 60 s",
    "broken cloud, unmetered, meter every 10 s",
    "car full at 12 kWh, unmetered",
    "three-phase car set to one, every 60 s, metered",
    "reversed clamp, metered, every 10 s",
    "car not counted, metered, every 60 s",
    "battery served last, broken cloud, metered",
    "thermostat open half the time, heater first, metered",
    "9 kW shower while both run, every 10 s, metered",
    "meter silent for 5 min, metered",
];

fn word(metered: bool) -> &'static str {
    if metered { "metered" } else { "unmetered" }
}

fn percent(outcome: &Outcome, could_wh: f64) -> f64 {
    100.0 * outcome.caught_wh / could_wh
}

fn yes(is: bool) -> f64 {
    f64::from(u8::from(is))
}

/// Notices that a healthy home must never see.
fn false_alarms(outcome: &Outcome) -> f64 {
    let alarms = ["reversed", "not_counted", "late"];
    alarms.iter().filter(|code| outcome.first(code).is_some()).count() as f64
}

fn car() -> Plant {
    Plant::new(Kind::Car { phases: 1.0, at_most_a: f64::INFINITY }, 5, 0.0)
}

fn heater() -> Plant {
    Plant::new(Kind::Heater, 2, 0.0)
}

/// A healthy case: car obeys in 5 s, heater in 2 s, readings are 2 s old and say so.
fn healthy(metered: bool, every_s: i64) -> Case {
    let plan = Plan {
        car_metered: metered,
        heater_metered: metered,
        heater_first: false,
        every_s,
        declared_lag_s: 2,
        battery_first: None,
    };
    Case {
        plan,
        plants: [car(), heater()],
        lag_s: 2,
        reversed: false,
        car_uncounted: false,
        battery: None,
        averages: false,
        grain_w: 1.0,
        runs_anyway: false,
        silent: None,
    }
}

/// One of the days on which the bars were measured.
type NamedDay = (&'static str, fn() -> Day);

const DAYS: [NamedDay; 2] = [("clear day", Day::clear), ("broken cloud", Day::broken_cloud)];
