//! Clear and broken-cloud days for every meter interval, metered and unmetered, and false alarms on them.

use super::super::day::Day;
use super::super::oracle::{Appetite, could_catch_wh};
use super::super::run::run;
use super::super::table::{Figure, at_least, at_most};
use super::{DAYS, EVERY_S, Planned, false_alarms, healthy, percent, word};

/// Caught in percent, bought in kilowatt-hours, starts of the car; for each meter interval.
type Bars = [(f64, f64, f64); 3];

const METERED: [Bars; 2] = [
    [(94.0, 0.22, 3.0), (94.0, 0.26, 3.0), (95.0, 0.60, 3.0)],
    [(87.0, 0.5, 10.0), (87.0, 0.5, 10.0), (85.0, 0.5, 10.0)],
];

const UNMETERED: [Bars; 2] = [
    [(95.0, 0.7, 3.0), (95.0, 0.7, 3.0), (95.0, 0.7, 3.0)],
    [(90.0, 0.4, 10.0), (87.0, 0.4, 10.0), (85.0, 0.4, 10.0)],
];

pub(super) fn cases() -> Vec<Planned> {
    let mut cases = Vec::new();
    for (metered, bars) in [(true, METERED), (false, UNMETERED)] {
        for ((name, day), bars) in DAYS.into_iter().zip(bars) {
            for (every_s, bars) in EVERY_S.into_iter().zip(bars) {
                let name = format!("{name}, {}, meter every {every_s} s", word(metered));
                cases.push(Planned::new("days", name, move || figures(metered, every_s, &day(), bars)));
            }
        }
    }
    cases.push(Planned::new("alarms", "healthy homes, 24 day-runs".to_owned(), alarms));
    cases
}

fn figures(metered: bool, every_s: i64, day: &Day, bars: (f64, f64, f64)) -> Vec<Figure> {
    let could = could_catch_wh(day, Appetite::default(), None);
    let outcome = run(healthy(metered, every_s), day);
    vec![
        at_least("caught", percent(&outcome, could), bars.0, "%"),
        at_most("bought", outcome.bought_wh / 1000.0, bars.1, "kWh"),
        at_most("starts of the car", f64::from(outcome.starts[0]), bars.2, ""),
    ]
}

/// Healthy homes on several days: no alarm may come.
fn alarms() -> Vec<Figure> {
    let days = [Day::clear_with(1), Day::clear_with(2), Day::clear_with(3), Day::broken_cloud()];
    let mut alarms = 0.0;
    for day in &days {
        for metered in [true, false] {
            for every_s in EVERY_S {
                alarms += false_alarms(&run(healthy(metered, every_s), day));
            }
        }
    }
    vec![at_most("false alarms", alarms, 0.0, "")]
}
