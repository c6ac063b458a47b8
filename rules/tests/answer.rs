//! The answer of the grid to what a load does, and how a load is taken to have settled.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::time::Span;
use support::*;

const SPARE: [(&str, &str); 2] = [
    ("car", r#"home.load("car").take_spare("spare");"#),
    ("water", r#"home.load("water").take_spare("spare");"#),
];

#[test]
fn a_reversed_clamp_stops_all_taking_of_spare_power_and_buys_little() {
    for metered in [true, false] {
        for every_s in [1, 10] {
            let mut world = World::new(Bench::new(home(vec![car(), water()], metered), &SPARE), 0.0, 3000.0);
            (world.reversed, world.every_s) = (true, every_s);
            world.run(3600);
            assert_eq!(world.bench.told("reversed").len(), 1, "metered {metered}, {every_s} s");
            assert_eq!(world.draws_w, [0.0, 0.0]);
            assert_eq!(world.bench.limit(0), Some(Limit::NoAnswer));
            assert_eq!(world.bench.limit(1), Some(Limit::NoAnswer));
        }
    }
}

#[test]
fn a_person_may_still_run_a_load_whose_spare_power_is_stopped() {
    let mut world = World::new(Bench::new(home(vec![car()], true), &SPARE[..1]), 0.0, 3000.0);
    world.reversed = true;
    world.run(3600);
    assert_eq!(world.bench.limit(0), Some(Limit::NoAnswer));
    world.bench.wish(wish(Want::On));
    world.run(60);
    assert!(world.draws_w[0] > 0.0);
}

#[test]
fn a_contradicted_load_goes_back_to_its_floor_at_once_then_off_and_is_tried_again_after_ten_minutes() {
    let mut world = World::new(Bench::new(home(vec![car()], true), &SPARE[..1]), 8000.0, 500.0);
    world.uncounted = Some(0);
    let mut seen = vec![];
    for _ in 0..3600 {
        world.run(1);
        let limit = world.bench.limit(0);
        if limit == Some(Limit::NoAnswer) {
            assert!(world.bench.setpoint(0) <= 1380.0);
        }
        let on = world.bench.load(0).on;
        if seen.last().is_none_or(|(_, was)| *was != on) {
            seen.push((world.bench.now.0 / 1000, on));
        }
    }
    // off at first, on, off, and no sooner than ten minutes later on again.
    let rests: Vec<i64> =
        seen.windows(2).filter(|w| !w[0].1 && w[0].0 > 60).map(|w| w[1].0 - w[0].0).collect();
    assert!(!rests.is_empty() && rests.iter().all(|r| *r >= 600), "{seen:?}");
    assert!(world.bench.notices().contains(&"no_answer".to_owned()));
    assert!(!world.bench.notices().contains(&"reversed".to_owned()));
}

#[test]
fn four_contradictions_stop_that_load_alone() {
    let mut world = World::new(Bench::new(home(vec![car(), water()], true), &SPARE), 8000.0, 500.0);
    world.uncounted = Some(0);
    world.run(4 * 3600);
    assert_eq!(world.bench.told("not_counted").len(), 1, "{:?}", world.bench.notices());
    assert_eq!(world.draws_w[0], 0.0);
    assert!(world.draws_w[1] > 2900.0);
}

#[test]
fn a_correct_clamp_raises_no_alarm() {
    for metered in [true, false] {
        for every_s in [1, 10] {
            let mut world =
                World::new(Bench::new(home(vec![car(), water()], metered), &SPARE), 6000.0, 500.0);
            world.every_s = every_s;
            for n in 0..60 {
                // Kettles and clouds.
                world.base_w = if n % 7 == 3 { 2800.0 } else { 400.0 };
                world.solar_w = [6000.0, 5500.0, 2500.0, 4000.0, 7000.0][n % 5];
                world.run(90);
            }
            for code in ["reversed", "not_counted"] {
                assert!(!world.bench.notices().contains(&code.to_owned()), "{metered} {every_s} {code}");
            }
        }
    }
}

#[test]
fn no_raise_comes_while_a_judgement_is_due() {
    // The clamp does not see the car; its start is a step of 1380 W that must be judged first.
    let mut world = World::new(Bench::new(home(vec![car()], true), &SPARE[..1]), 8000.0, 500.0);
    world.uncounted = Some(0);
    world.run(1800);
    let commands = world.bench.commands(0);
    let start = commands.iter().position(|(_, w)| *w > 0.0).unwrap();
    let (at, next) = (commands[start].0, commands[start + 1]);
    assert!(next.0 - at >= 60, "settle and 30 s more: {commands:?}");
    assert!(next.1 <= commands[start].1, "{commands:?}");
}

#[test]
fn a_late_answer_of_the_grid_is_no_contradiction() {
    // 10 s lag, a car that takes 15 s to obey, a meter every 20 s: the answer comes late, and then counts.
    let mut one = home(vec![car()], true);
    one.points.iter_mut().take(2).for_each(|p| {
        p.lag = Span::seconds(10);
        p.stale_after = Span::seconds(90);
    });
    let mut world = World::new(Bench::new(one, &SPARE[..1]), 8000.0, 500.0);
    (world.lag_s, world.obey_s, world.every_s) = (10, 15, 20);
    world.run(3600);
    assert!(world.draws_w[0] > 6000.0, "{:?}", world.draws_w);
    assert!(!world.bench.notices().contains(&"no_answer".to_owned()), "{:?}", world.bench.notices());
}

// settling and judging, seen from outside

/// A metered car told 1380 W while the meter shows `drawn_w` from 5 s on; whether it was raised within 28 s of `settle`.
fn raised_early(drawn_w: f64) -> bool {
    let load = Load { settle: Span::seconds(120), raise_after: Span::ZERO, ..car() };
    let mut bench = Bench::new(home(vec![load], true), &SPARE[..1]);
    let reading = |bench: &Bench| {
        let drawn = if bench.setpoint(0) > 0.0 { drawn_w } else { 0.0 };
        vec![Bench::reading(2, drawn), Bench::reading(1, 5000.0), Bench::reading(0, drawn - 4000.0)]
    };
    bench.inputs(vec![Bench::reading(2, 0.0), Bench::reading(1, 5000.0), Bench::reading(0, -4000.0)]);
    bench.hold_with(180, 5, reading);
    let commands = bench.commands(0);
    let start = commands.iter().position(|(_, w)| *w == 1380.0).expect("it starts at its floor");
    commands.get(start + 1).is_some_and(|(at, _)| at - commands[start].0 < 100)
}

#[test]
fn a_metered_load_has_settled_before_its_time_when_it_moved_by_80_percent_of_the_step() {
    assert!(raised_early(1380.0 * 0.81));
    assert!(!raised_early(1380.0 * 0.79));
}

/// Two steps of 230 W lie far apart: the first is forgotten, so that they are not judged as one of 500 W that the house,
/// which used 300 W less meanwhile, seems to have contradicted.
#[test]
fn small_steps_are_added_up_for_five_minutes_only() {
    let contradicted = |apart_s: i64| {
        let mut one = home(vec![car()], true);
        one.inputs.push(ask_input("amps"));
        let set = [("car", r#"home.load("car").run_at_a(home.input("amps"), "told");"#)];
        let mut bench = Bench::new(one, &set);
        let step = |bench: &mut Bench, seconds: i64, amps: f64, base_w: f64| {
            bench.other(0, amps);
            bench.hold_with(seconds, 10, |bench| {
                let drawn = bench.setpoint(0);
                vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base_w + drawn)]
            });
        };
        bench.inputs(vec![Bench::reading(2, 0.0), Bench::reading(1, 0.0), Bench::reading(0, 2000.0)]);
        step(&mut bench, 600, 8.0, 2000.0);
        step(&mut bench, apart_s, 9.0, 2000.0);
        step(&mut bench, 200, 11.0, 1300.0);
        !bench.told("no_answer").is_empty()
    };
    assert!(contradicted(120));
    assert!(!contradicted(420));
}
