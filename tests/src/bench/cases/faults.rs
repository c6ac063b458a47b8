//! A reversed clamp, and a car that the clamp does not count.

use super::super::day::Day;
use super::super::run::run;
use super::super::table::{Figure, at_least, at_most};
use super::{EVERY_S, Planned, healthy, word, yes};

pub(super) fn cases() -> Vec<Planned> {
    let mut cases = Vec::new();
    for metered in [true, false] {
        for (every_s, bar) in EVERY_S.into_iter().zip([0.05, 0.32, 1.4]) {
            let name = format!("reversed clamp, {}, every {every_s} s", word(metered));
            cases.push(Planned::new("faults", name, move || reversed(metered, every_s, bar)));
        }
        for every_s in EVERY_S {
            let name = format!("car not counted, {}, every {every_s} s", word(metered));
            cases.push(Planned::new("faults", name, move || uncounted(metered, every_s)));
        }
    }
    cases
}

fn reversed(metered: bool, every_s: i64, bar: f64) -> Vec<Figure> {
    let mut case = healthy(metered, every_s);
    case.reversed = true;
    let outcome = run(case, &Day::clear());
    vec![
        at_most("bought in all", outcome.bought_wh / 1000.0, bar, "kWh"),
        at_least("stopped and told", yes(outcome.first("reversed").is_some()), 1.0, ""),
    ]
}

fn uncounted(metered: bool, every_s: i64) -> Vec<Figure> {
    let mut case = healthy(metered, every_s);
    case.car_uncounted = true;
    let outcome = run(case, &Day::clear());
    vec![
        at_most("bought", outcome.bought_wh / 1000.0, 1.2, "kWh"),
        at_most("all taking stopped", yes(outcome.first("reversed").is_some()), 0.0, ""),
        at_least("heater took", outcome.taken_wh[1] / 1000.0, 10.0, "kWh"),
    ]
}
