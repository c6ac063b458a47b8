//! Thermostat, shower, drop-out, and meters that average or count coarsely.

use super::super::day::Day;
use super::super::oracle::{Appetite, could_catch_wh};
use super::super::run::{Outcome, run};
use super::super::table::{Figure, at_least, at_most};
use super::{EVERY_S, Planned, false_alarms, healthy, heater, percent, word};

pub(super) fn cases() -> Vec<Planned> {
    let mut cases = Vec::new();
    for metered in [true, false] {
        let named = |what: &str| format!("{what}, {}", word(metered));
        let name = named("thermostat open half the time, heater first");
        cases.push(Planned::new("household", name, move || thermostat(metered)));
        let name = named("9 kW shower against 60 A");
        cases.push(Planned::new("household", name, move || shower(metered)));
        for every_s in EVERY_S {
            let name = named(&format!("9 kW shower while both run, every {every_s} s"));
            cases.push(Planned::new("household", name, move || shower_while_both_run(metered, every_s)));
        }
        for every_s in [10, 60] {
            let name = named(&format!("meter that averages over its {every_s} s"));
            cases.push(Planned::new("household", name, move || averaging(metered, every_s)));
        }
        let name = named("meter in steps of 100 W");
        cases.push(Planned::new("household", name, move || coarse(metered)));
        let name = named("meter silent for 5 min");
        cases.push(Planned::new("household", name, move || silence(metered)));
    }
    cases
}

fn thermostat(metered: bool) -> Vec<Figure> {
    let mut case = healthy(metered, 10);
    case.plan.heater_first = true;
    case.plants[1] = heater().with_thermostat(3600);
    let outcome = run(case, &Day::clear());
    vec![
        at_most("bought", outcome.bought_wh / 1000.0, 0.7, "kWh"),
        at_least("car took", outcome.taken_wh[0] / 1000.0, 10.0, "kWh"),
        at_most("false alarms", false_alarms(&outcome), 0.0, ""),
    ]
}

fn shower(metered: bool) -> Vec<Figure> {
    let outcome = run(healthy(metered, 10), &Day::clear_with_showers());
    vec![
        at_most("raised beyond the rating less 10 %", outcome.raised_to_a, 54.0, "A"),
        // One reading interval, its lag, and the car's obeying, see `check`.
        at_most("over the rating at a stretch", outcome.longest_over_s as f64, 17.0, "s"),
    ]
}

/// At night, car and heater at their ceilings, a shower comes: 86 A want to flow.
fn shower_while_both_run(metered: bool, every_s: i64) -> Vec<Figure> {
    let mut case = healthy(metered, every_s);
    case.runs_anyway = true;
    // One reading interval, its lag, and the car's obeying: what `check` says of this home.
    let at_most_s = every_s + 2 + 5;
    let outcome = run(case, &Day::night_with_shower());
    vec![
        at_least("largest current", outcome.peak_a, 61.0, "A"),
        at_most("over the rating at a stretch", outcome.longest_over_s as f64, at_most_s as f64, "s"),
        at_most("raised beyond the rating less 10 %", outcome.raised_to_a, 54.0, "A"),
        at_least("car took", outcome.taken_wh[0] / 1000.0, 10.0, "kWh"),
    ]
}

fn averaging(metered: bool, every_s: i64) -> Vec<Figure> {
    let mut case = healthy(metered, every_s);
    case.averages = true;
    case.plan.declared_lag_s = every_s + 2;
    // A kettle is over before a mean of a minute shows it.
    ordinary(&run(case, &Day::clear()), if every_s > 10 { 1.1 } else { 0.7 })
}

fn coarse(metered: bool) -> Vec<Figure> {
    let mut case = healthy(metered, 10);
    case.grain_w = 100.0;
    ordinary(&run(case, &Day::clear()), 0.7)
}

/// What no design simulated: bars of our own.
fn ordinary(outcome: &Outcome, bought_kwh: f64) -> Vec<Figure> {
    let could = could_catch_wh(&Day::clear(), Appetite::default(), None);
    vec![
        at_least("caught", percent(outcome, could), 90.0, "%"),
        at_most("bought", outcome.bought_wh / 1000.0, bought_kwh, "kWh"),
        at_most("false alarms", false_alarms(outcome), 0.0, ""),
    ]
}

fn silence(metered: bool) -> Vec<Figure> {
    let mut case = healthy(metered, 10);
    case.silent = Some((5 * 3600, 5 * 3600 + 300));
    dropout(&run(case, &Day::clear()))
}

/// The fallback comes when the newest reading goes stale, and both loads come back after it.
fn dropout(outcome: &Outcome) -> Vec<Figure> {
    let (silent_from, silent_to) = (5 * 3600, 5 * 3600 + 300);
    // Newest reading at one interval before the silence, 2 s old; stale after 44 s of age.
    let due = silent_from - 10 - 2 + 44;
    let off: Vec<usize> = outcome
        .changes
        .iter()
        .filter_map(|c| c.iter().find(|(t, w)| *t >= silent_from && *w == 0.0))
        .map(|(t, _)| *t)
        .collect();
    let latest = off.iter().map(|t| t.abs_diff(due)).max().unwrap_or(usize::MAX);
    let back = outcome.changes[0]
        .iter()
        .find(|(t, w)| *t > silent_to && *w > 0.0)
        .map_or(usize::MAX, |(t, _)| t - silent_to);
    vec![
        at_most("fallback off its moment by", latest as f64, 0.0, "s"),
        at_most("car back after", back as f64, 360.0, "s"),
    ]
}
