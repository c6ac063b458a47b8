//! The rows of the bench: which cases there are, and which figures each must reach.
//!
//! The bars are those that the mechanism reached when it was designed, by simulation on the same kinds of days; the
//! kettles fall at other moments here, so that a percent up or down means nothing.

use super::day::Day;
use super::homes::Plan;
use super::oracle::{Appetite, could_catch_wh};
use super::plants::{Battery, CAR_TAKES, Kind, Plant, VOLTS};
use super::run::{Case, Outcome, run};
use super::table::{Row, at_least, at_most};

/// Meter intervals of the days, in seconds.
const EVERY_S: [i64; 3] = [1, 10, 60];

/// A seed for the kettles.
const SEED: u64 = 1;

fn plan(metered: bool, every_s: i64) -> Plan {
    Plan {
        car_metered: metered,
        heater_metered: metered,
        heater_first: false,
        every_s,
        declared_lag_s: 2,
        battery_first: None,
    }
}

fn car() -> Plant {
    Plant::new(Kind::Car { phases: 1.0, at_most_a: f64::INFINITY }, 5, 0.0)
}

fn heater() -> Plant {
    Plant::new(Kind::Heater, 2, 0.0)
}

/// A healthy case: car obeys in 5 s, heater in 2 s, readings are 2 s old.
pub fn healthy(metered: bool, every_s: i64) -> Case {
    Case {
        plan: plan(metered, every_s),
        plants: [car(), heater()],
        lag_s: 2,
        reversed: false,
        car_uncounted: false,
        battery: None,
        silent: None,
    }
}

fn word(metered: bool) -> &'static str {
    if metered { "metered" } else { "unmetered" }
}

fn percent(outcome: &Outcome, could_wh: f64) -> f64 {
    100.0 * outcome.caught_wh / could_wh
}

/// One combination of the steady sun: meter interval, lag, obedience, ramp, whether the lag is declared.
#[derive(Debug, Clone, Copy)]
pub struct Steady {
    /// Seconds between grid readings.
    pub every_s: i64,
    /// True lag in seconds.
    pub lag_s: usize,
    /// Seconds until the car obeys.
    pub obeys_s: i64,
    /// Seconds over which it then moves.
    pub ramp_s: f64,
    /// Whether the home file declares the lag.
    pub declared: bool,
}

/// All 120 combinations; where there is no lag it is always declared.
pub fn steady_combinations() -> Vec<Steady> {
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

/// What one steady case came to: changes of the car in the last hour, the greatest import in it, in watts.
pub fn steady_case(
    steady: Steady,
    car_metered: bool,
    heater_metered: bool,
    day: &Day,
) -> (usize, f64, Outcome) {
    let mut case = healthy(true, steady.every_s);
    case.plan.car_metered = car_metered;
    case.plan.heater_metered = heater_metered;
    case.plan.declared_lag_s = if steady.declared { steady.lag_s as i64 } else { 0 };
    case.lag_s = steady.lag_s;
    case.plants[0] =
        Plant::new(Kind::Car { phases: 1.0, at_most_a: f64::INFINITY }, steady.obeys_s, steady.ramp_s);
    let outcome = run(case, day);
    let late = outcome.changes[0].iter().filter(|(t, _)| *t >= 3600).count();
    let import = outcome.grid_w[3600..].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    (late, import, outcome)
}

/// Steady sun over every `stride`-th combination, each with four kinds of metering.
pub fn steady_rows(stride: usize) -> Vec<Row> {
    let day = Day::steady();
    let mut rows = Vec::new();
    let (mut undeclared, mut undeclared_most) = (0, 0);
    for (car, heater) in [(true, true), (false, false), (true, false), (false, true)] {
        let (mut restless, mut restless_undeclared, mut worst, mut importing, mut alarms, mut n) =
            (0, 0, 0, 0, 0, 0);
        for steady in steady_combinations().into_iter().step_by(stride) {
            let (changes, import, outcome) = steady_case(steady, car, heater, &day);
            n += 1;
            alarms += usize::from(outcome.first("reversed").or(outcome.first("not_counted")).is_some());
            alarms += usize::from(outcome.first("late").is_some() && steady.declared);
            importing += usize::from(import > 1500.0 && steady.declared);
            if changes > 12 && steady.declared {
                restless += 1;
            } else if changes > 12 {
                restless_undeclared += 1;
                worst = worst.max(changes);
            }
        }
        let name = format!("steady sun, car {}, heater {} ({n} cases)", word(car), word(heater));
        rows.push(Row::new(
            &name,
            vec![
                at_most("restless, lag declared", restless as f64, 0.0, ""),
                at_most("importing over 1.5 kW, lag declared", importing as f64, 0.0, ""),
                at_most("false alarms", alarms as f64, 0.0, ""),
            ],
        ));
        undeclared += restless_undeclared;
        undeclared_most = undeclared_most.max(worst);
    }
    rows.push(Row::new(
        "steady sun, all of them, lag not declared",
        vec![
            at_most("restless", f64::from(undeclared), 3.0, ""),
            at_most("their most changes an hour", undeclared_most as f64, 20.0, ""),
        ],
    ));
    rows
}

/// Clear and broken-cloud days for every meter interval, metered and unmetered.
pub fn day_rows() -> Vec<Row> {
    let (clear, cloud) = (Day::clear(SEED), Day::broken_cloud());
    let bars = [
        // caught %, bought kWh, starts: clear metered, clear unmetered, cloud metered, cloud unmetered
        ("clear day", &clear, true, [(94.0, 0.22, 3.0), (94.0, 0.26, 3.0), (95.0, 0.60, 3.0)]),
        ("clear day", &clear, false, [(95.0, 0.7, 3.0), (95.0, 0.7, 3.0), (95.0, 0.7, 3.0)]),
        ("broken cloud", &cloud, true, [(87.0, 0.5, 10.0), (87.0, 0.5, 10.0), (85.0, 0.5, 10.0)]),
        ("broken cloud", &cloud, false, [(90.0, 0.4, 10.0), (87.0, 0.4, 10.0), (85.0, 0.4, 10.0)]),
    ];
    let mut rows = Vec::new();
    for (name, day, metered, bars) in bars {
        let could = could_catch_wh(day, Appetite::default(), None);
        for (every_s, (caught, bought, starts)) in EVERY_S.into_iter().zip(bars) {
            let outcome = run(healthy(metered, every_s), day);
            rows.push(Row::new(
                &format!("{name}, {}, meter every {every_s} s", word(metered)),
                vec![
                    at_least("caught", percent(&outcome, could), caught, "%"),
                    at_most("bought", outcome.bought_wh / 1000.0, bought, "kWh"),
                    at_most("starts of the car", f64::from(outcome.starts[0]), starts, ""),
                ],
            ));
        }
    }
    rows
}

/// A car that is full, limits itself, or draws from three phases on a one-phase setting.
pub fn odd_car_rows() -> Vec<Row> {
    let day = Day::clear(SEED);
    let mut rows = Vec::new();
    for metered in [true, false] {
        let full = Appetite { car_room_wh: 12_000.0, ..Appetite::default() };
        let mut case = healthy(metered, 10);
        case.plants[0] = car().with_room_wh(12_000.0);
        rows.push(odd_row("car full at 12 kWh", metered, case, &day, full, 98.0));

        let limited = Appetite { car_most_a: 16.0, ..Appetite::default() };
        let mut case = healthy(metered, 10);
        case.plants[0] = Plant::new(Kind::Car { phases: 1.0, at_most_a: 16.0 }, 5, 0.0);
        rows.push(odd_row("car limits itself to 16 A", metered, case, &day, limited, 84.0));

        for every_s in EVERY_S {
            let three =
                Appetite { car_step_w: 3.0 * VOLTS * CAR_TAKES, car_most_a: 10.0, ..Appetite::default() };
            let mut case = healthy(metered, every_s);
            case.plants[0] = Plant::new(Kind::Car { phases: 3.0, at_most_a: f64::INFINITY }, 5, 0.0);
            let name = format!("three-phase car set to one, every {every_s} s");
            rows.push(odd_row(&name, metered, case, &day, three, 88.0));
        }
    }
    rows
}

fn odd_row(name: &str, metered: bool, case: Case, day: &Day, appetite: Appetite, bar: f64) -> Row {
    let outcome = run(case, day);
    let could = could_catch_wh(day, appetite, None);
    Row::new(
        &format!("{name}, {}", word(metered)),
        vec![
            at_least("caught", percent(&outcome, could), bar, "%"),
            at_most("supply over its rating for", outcome.longest_over_s as f64, 0.0, "s"),
        ],
    )
}

/// A reversed clamp, and a car that the clamp does not count.
pub fn fault_rows() -> Vec<Row> {
    let day = Day::clear(SEED);
    let mut rows = Vec::new();
    for metered in [true, false] {
        for (every_s, bar) in EVERY_S.into_iter().zip([0.05, 0.32, 1.4]) {
            let mut case = healthy(metered, every_s);
            case.reversed = true;
            let outcome = run(case, &day);
            rows.push(Row::new(
                &format!("reversed clamp, {}, every {every_s} s", word(metered)),
                vec![
                    at_most("bought in all", outcome.bought_wh / 1000.0, bar, "kWh"),
                    at_least(
                        "stopped and told",
                        f64::from(u8::from(outcome.first("reversed").is_some())),
                        1.0,
                        "",
                    ),
                ],
            ));
        }
        for every_s in EVERY_S {
            let mut case = healthy(metered, every_s);
            case.car_uncounted = true;
            let outcome = run(case, &day);
            rows.push(Row::new(
                &format!("car not counted, {}, every {every_s} s", word(metered)),
                vec![
                    at_most("bought", outcome.bought_wh / 1000.0, 1.2, "kWh"),
                    at_most(
                        "all taking stopped",
                        f64::from(u8::from(outcome.first("reversed").is_some())),
                        0.0,
                        "",
                    ),
                    at_least("heater took", outcome.taken_wh[1] / 1000.0, 10.0, "kWh"),
                ],
            ));
        }
    }
    rows
}

/// A battery that holds the grid at zero by itself, served first or last.
pub fn battery_rows() -> Vec<Row> {
    let days = [("clear day", Day::clear(SEED)), ("broken cloud", Day::broken_cloud())];
    let battery =
        Battery { size_wh: 10_000.0, power_w: 3000.0, delay_s: 3, charge_wh: 2000.0, power_now_w: 0.0 };
    let mut rows = Vec::new();
    for metered in [true, false] {
        for (name, day) in &days {
            for first in [true, false] {
                let mut case = healthy(metered, 10);
                case.plan.battery_first = Some(first);
                case.battery = Some(battery.clone());
                let outcome = run(case, day);
                let could = could_catch_wh(day, Appetite::default(), first.then_some(&battery));
                let place = if first { "first" } else { "last" };
                rows.push(Row::new(
                    &format!("battery served {place}, {name}, {}", word(metered)),
                    vec![
                        at_least("caught", percent(&outcome, could), 82.0, "%"),
                        at_most("battery into loads", outcome.from_battery_wh / 1000.0, 0.23, "kWh"),
                    ],
                ));
            }
        }
    }
    rows
}

/// Thermostat, shower and drop-out.
pub fn household_rows() -> Vec<Row> {
    let day = Day::clear(SEED);
    let mut rows = Vec::new();
    for metered in [true, false] {
        let mut case = healthy(metered, 10);
        case.plan.heater_first = true;
        case.plants[1] = heater().with_thermostat(3600);
        let outcome = run(case, &day);
        rows.push(Row::new(
            &format!("thermostat open half the time, heater first, {}", word(metered)),
            vec![
                at_most("bought", outcome.bought_wh / 1000.0, 0.7, "kWh"),
                at_least("car took", outcome.taken_wh[0] / 1000.0, 10.0, "kWh"),
                at_most("false alarms", false_alarms(&outcome), 0.0, ""),
            ],
        ));
        let outcome = run(healthy(metered, 10), &Day::clear_with_showers(SEED));
        rows.push(Row::new(
            &format!("9 kW shower against 60 A, {}", word(metered)),
            vec![
                at_most("raised beyond the rating less 10 %", outcome.raised_to_a, 54.0, "A"),
                // One reading interval, its lag, and the car's obeying, see `check`.
                at_most("over the rating at a stretch", outcome.longest_over_s as f64, 17.0, "s"),
            ],
        ));
        let mut case = healthy(metered, 10);
        case.silent = Some((5 * 3600, 5 * 3600 + 300));
        let outcome = run(case, &day);
        rows.push(Row::new(&format!("meter silent for 5 min, {}", word(metered)), dropout(&outcome)));
    }
    rows
}

/// The fallback comes when the newest reading goes stale, and both loads come back after it.
fn dropout(outcome: &Outcome) -> Vec<super::table::Figure> {
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

fn false_alarms(outcome: &Outcome) -> f64 {
    let alarms = ["reversed", "not_counted", "late"];
    f64::from(u8::from(alarms.iter().any(|code| outcome.first(code).is_some())))
}

/// Healthy homes on several days: no alarm may come.
pub fn alarm_rows(seeds: u64) -> Vec<Row> {
    let (mut alarms, mut runs) = (0.0, 0.0);
    for seed in 1..=seeds {
        for metered in [true, false] {
            for every_s in EVERY_S {
                alarms += false_alarms(&run(healthy(metered, every_s), &Day::clear(seed)));
                runs += 1.0;
            }
        }
    }
    let cloud = Day::broken_cloud();
    for metered in [true, false] {
        for every_s in EVERY_S {
            alarms += false_alarms(&run(healthy(metered, every_s), &cloud));
            runs += 1.0;
        }
    }
    vec![Row::new(&format!("{runs} healthy day-runs"), vec![at_most("false alarms", alarms, 0.0, "")])]
}
