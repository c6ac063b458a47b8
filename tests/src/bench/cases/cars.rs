//! A car that is full, limits itself, or draws from three phases on a one-phase setting.

use super::super::day::Day;
use super::super::oracle::{Appetite, could_catch_wh};
use super::super::plants::{CAR_TAKES, Kind, Plant, VOLTS};
use super::super::run::{Case, run};
use super::super::table::{Figure, at_least, at_most};
use super::{EVERY_S, Planned, car, healthy, percent, word};

pub(super) fn cases() -> Vec<Planned> {
    let mut cases = Vec::new();
    for metered in [true, false] {
        cases.push(planned("car full at 12 kWh", metered, 98.0, move || {
            let mut case = healthy(metered, 10);
            case.plants[0] = car().with_room_wh(12_000.0);
            (case, Appetite { car_room_wh: 12_000.0, ..Appetite::default() })
        }));
        let limited_bar = if metered { 84.0 } else { 87.0 };
        cases.push(planned("car limits itself to 16 A", metered, limited_bar, move || {
            let mut case = healthy(metered, 10);
            case.plants[0] = Plant::new(Kind::Car { phases: 1.0, at_most_a: 16.0 }, 5, 0.0);
            (case, Appetite { car_most_a: 16.0, ..Appetite::default() })
        }));
        for every_s in EVERY_S {
            let name = format!("three-phase car set to one, every {every_s} s");
            cases.push(planned(&name, metered, 88.0, move || {
                let mut case = healthy(metered, every_s);
                case.plants[0] = Plant::new(Kind::Car { phases: 3.0, at_most_a: f64::INFINITY }, 5, 0.0);
                let car_step_w = 3.0 * VOLTS * CAR_TAKES;
                (case, Appetite { car_step_w, car_most_a: 10.0, ..Appetite::default() })
            }));
        }
    }
    cases
}

fn planned(name: &str, metered: bool, bar: f64, case: impl Fn() -> (Case, Appetite) + 'static) -> Planned {
    let name = format!("{name}, {}", word(metered));
    Planned::new("odd-car", name, move || {
        let (case, appetite) = case();
        figures(case, appetite, bar)
    })
}

fn figures(case: Case, appetite: Appetite, bar: f64) -> Vec<Figure> {
    let day = Day::clear();
    let outcome = run(case, &day);
    let could = could_catch_wh(&day, appetite, None);
    vec![
        at_least("caught", percent(&outcome, could), bar, "%"),
        at_most("supply over its rating for", outcome.longest_over_s as f64, 0.0, "s"),
    ]
}
