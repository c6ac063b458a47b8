//! A reversed clamp, and a car that the clamp does not count.

use super::super::day::Day;
use super::super::run::{Case, run};
use super::super::table::{Figure, at_least, at_most};
use super::{EVERY_S, METERING, Planned, healthy, word, yes};

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
    let name = "reversed clamp, kettles at other moments, 48 day-runs".to_owned();
    cases.push(Planned::new("faults", name, || {
        let worst = worst_bought_kwh(|case| case.reversed = true);
        vec![at_most("bought at worst", worst, 1.4, "kWh")]
    }));
    let name = "car not counted, kettles at other moments, 48 day-runs".to_owned();
    cases.push(Planned::new("faults", name, || {
        let worst = worst_bought_kwh(|case| case.car_uncounted = true);
        vec![at_most("bought at worst", worst, 1.2, "kWh")]
    }));
    cases
}

/// The most that any kind of home buys with this fault: a kettle that comes or goes just when a load is switched looks
/// like the answer to it.
fn worst_bought_kwh(fault: impl Fn(&mut Case)) -> f64 {
    let mut worst: f64 = 0.0;
    for seed in [13, 24, 31, 47] {
        let day = Day::clear_with(seed);
        for (car_metered, heater_metered) in METERING {
            for every_s in EVERY_S {
                let mut case = healthy(true, every_s);
                (case.plan.car_metered, case.plan.heater_metered) = (car_metered, heater_metered);
                fault(&mut case);
                worst = worst.max(run(case, &day).bought_wh / 1000.0);
            }
        }
    }
    worst
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
