//! Steady sun: 120 combinations of meter interval, lag, obedience and whether the lag is declared, each for four kinds of
//! metering.

use super::super::day::Day;
use super::super::plants::{Kind, Plant};
use super::super::run::{Outcome, run};
use super::super::table::{Figure, at_most};
use super::{METERING, Planned, false_alarms, healthy, word, yes};

/// A car whose set-point changes more often than this in an hour of steady sun is restless.
const CHANGES_AN_HOUR: usize = 12;

#[derive(Debug, Clone, Copy)]
struct Steady {
    every_s: i64,
    lag_s: usize,
    obeys_s: i64,
    ramp_s: f64,
    declared: bool,
}

/// All 120 combinations; where there is no lag it is always declared.
fn combinations() -> Vec<Steady> {
    let mut all = Vec::new();
    for every_s in [1, 5, 10, 60] {
        for lag_s in [0, 2, 10] {
            for obeys_s in [2, 8, 15] {
                for ramp_s in [0.0, 6.0] {
                    all.push(Steady { every_s, lag_s, obeys_s, ramp_s, declared: true });
                    if lag_s > 0 {
                        all.push(Steady { every_s, lag_s, obeys_s, ramp_s, declared: false });
                    }
                }
            }
        }
    }
    all
}

pub(super) fn cases() -> Vec<Planned> {
    let declared = METERING.map(|(car, heater)| {
        let name = format!("steady sun, lag declared, car {}, heater {}", word(car), word(heater));
        Planned::new("steady", name, move || at_rest(&chosen(true), car, heater))
    });
    let all = Planned::new("steady", "steady sun, lag not declared, all metering".to_owned(), undeclared);
    declared.into_iter().chain([all]).collect()
}

/// A few combinations.
pub(super) fn short() -> Planned {
    let few: Vec<Steady> = chosen(true).into_iter().step_by(15).collect();
    Planned::new("steady", "steady sun, a few combinations".to_owned(), move || at_rest(&few, true, false))
}

fn chosen(declared: bool) -> Vec<Steady> {
    combinations().into_iter().filter(|s| s.declared == declared).collect()
}

fn at_rest(combinations: &[Steady], car_metered: bool, heater_metered: bool) -> Vec<Figure> {
    let day = Day::steady();
    let (mut restless, mut importing, mut alarms) = (0.0, 0.0, 0.0);
    for steady in combinations {
        let outcome = one(*steady, car_metered, heater_metered, &day);
        restless += yes(changes(&outcome) > CHANGES_AN_HOUR);
        importing += yes(outcome.grid_w[3600..].iter().any(|w| *w > 1500.0));
        alarms += false_alarms(&outcome);
    }
    vec![
        at_most("restless", restless, 0.0, ""),
        at_most("importing over 1.5 kW", importing, 0.0, ""),
        at_most("false alarms", alarms, 0.0, ""),
    ]
}

/// Nobody has told how late the readings are.
fn undeclared() -> Vec<Figure> {
    let day = Day::steady();
    let (mut restless, mut most) = (0.0, 0);
    for (car, heater) in METERING {
        for steady in chosen(false) {
            let changes = changes(&one(steady, car, heater, &day));
            if changes > CHANGES_AN_HOUR {
                restless += 1.0;
                most = most.max(changes);
            }
        }
    }
    vec![at_most("restless", restless, 3.0, ""), at_most("their most changes an hour", most as f64, 20.0, "")]
}

/// Changes of the car's set-point in the last hour.
fn changes(outcome: &Outcome) -> usize {
    outcome.changes[0].iter().filter(|(t, _)| *t >= 3600).count()
}

fn one(steady: Steady, car_metered: bool, heater_metered: bool, day: &Day) -> Outcome {
    let mut case = healthy(true, steady.every_s);
    case.plan.car_metered = car_metered;
    case.plan.heater_metered = heater_metered;
    case.plan.declared_lag_s = if steady.declared { steady.lag_s as i64 } else { 0 };
    case.lag_s = steady.lag_s;
    let car = Kind::Car { phases: 1.0, at_most_a: f64::INFINITY };
    case.plants[0] = Plant::new(car, steady.obeys_s, steady.ramp_s);
    run(case, day)
}
