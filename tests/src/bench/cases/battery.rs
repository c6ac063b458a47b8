//! A battery that holds the grid at zero by itself, served first or last.

use super::super::day::Day;
use super::super::oracle::{Appetite, could_catch_wh};
use super::super::plants::Battery;
use super::super::run::run;
use super::super::table::{Figure, at_least, at_most};
use super::{DAYS, Planned, healthy, percent, word};

pub(super) fn cases() -> Vec<Planned> {
    let mut cases = Vec::new();
    for metered in [true, false] {
        for (name, day) in DAYS {
            for first in [true, false] {
                let place = if first { "first" } else { "last" };
                let name = format!("battery served {place}, {name}, {}", word(metered));
                cases.push(Planned::new("battery", name, move || figures(metered, first, &day())));
            }
        }
    }
    cases
}

fn figures(metered: bool, first: bool, day: &Day) -> Vec<Figure> {
    let battery =
        Battery { size_wh: 10_000.0, power_w: 3000.0, delay_s: 3, charge_wh: 2000.0, power_now_w: 0.0 };
    let could = could_catch_wh(day, Appetite::default(), first.then_some(&battery));
    let mut case = healthy(metered, 10);
    case.plan.battery_first = Some(first);
    case.battery = Some(battery);
    let outcome = run(case, day);
    vec![
        at_least("caught", percent(&outcome, could), 82.0, "%"),
        at_most("battery into loads", outcome.from_battery_wh / 1000.0, 0.23, "kWh"),
    ]
}
