//! What no rule and no override lifts, only lowers or stops.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span};
use support::*;

const CAR: (&str, &str) = ("car", r#"home.load("car").run("now");"#);
const WATER: (&str, &str) = ("water", r#"home.load("water").run("now");"#);
const PUMP: (&str, &str) = ("pump", r#"home.load("pump").run("now");"#);

/// 60 A less 10 %, in watts at 230 V.
const LIMIT_W: f64 = 54.0 * 230.0;

fn circuit(id: &str, rating_a: f64, within: Option<u16>) -> Circuit {
    Circuit { id: id.into(), rating_a, within: within.map(CircuitId) }
}

fn on_circuit(load: Load, circuit: u16) -> Load {
    Load { circuit: Some(CircuitId(circuit)), ..load }
}

// ratings

#[test]
fn what_is_permitted_stays_within_the_rating_less_ten_percent() {
    for base in [0.0, 2000.0, 4000.0, 6000.0, 9000.0, 12_000.0, 13_000.0] {
        let mut bench = Bench::new(home(vec![car(), water(), pump()], false), &[CAR, WATER, PUMP]);
        bench.power(base, 0.0);
        let permitted: f64 = (0..3).map(|i| bench.setpoint(i)).sum();
        assert!(base + permitted <= LIMIT_W || permitted == 0.0, "base {base}: {permitted}");
        if base <= LIMIT_W - 11_360.0 {
            assert_eq!(permitted, 11_360.0);
        }
    }
}

#[test]
fn an_override_does_not_lift_a_rating() {
    let mut bench = Bench::new(home(vec![car()], false), &[]);
    bench.power(10_000.0, 0.0);
    bench.wish(OverrideRequest { amount: Some(Amount::Amps(32.0)), ..wish(Want::On) });
    assert!(10_000.0 + bench.setpoint(0) <= LIMIT_W);
    assert_eq!(bench.limit(0), Some(Limit::Supply));
}

#[test]
fn a_permitted_load_keeps_its_place_although_it_draws_nothing() {
    // The car is permitted 32 A and draws nothing yet: the heater may not have its place.
    let mut bench = Bench::new(home(vec![car(), water()], true), &[CAR, WATER]);
    for n in 0..30 {
        bench.to(Moment(n * 10_000));
        bench.inputs(vec![
            Bench::reading(2, 0.0),
            Bench::reading(3, 0.0),
            Bench::reading(1, 0.0),
            Bench::reading(0, 4000.0),
        ]);
        let permitted = bench.setpoint(0) + bench.setpoint(1);
        assert!(4000.0 + permitted <= LIMIT_W, "{permitted}");
    }
    assert_eq!(bench.setpoint(0), 7360.0);
    assert_eq!(bench.limit(1), Some(Limit::Supply));
}

#[test]
fn a_load_that_draws_more_than_it_is_told_counts_with_its_draw() {
    let mut bench =
        Bench::new(home(vec![Load { turn: 1, ..water() }, Load { turn: 2, ..pump() }], true), &[WATER]);
    bench.inputs(vec![Bench::reading(2, 0.0), Bench::reading(1, 0.0), Bench::reading(0, 500.0)]);
    bench.inputs(vec![Bench::reading(2, 11_500.0), Bench::reading(1, 0.0), Bench::reading(0, 12_000.0)]);
    bench.input(Input::Rules(rules(&[WATER, PUMP])));
    assert_eq!((bench.setpoint(1), bench.limit(1)), (0.0, Some(Limit::Supply)));
}

#[test]
fn the_latest_turn_is_cut_first_to_its_floor_then_off() {
    let loads = vec![
        Load { turn: 1, ..water() },
        Load { turn: 2, kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 16.0 }, ..car() },
        Load { turn: 3, ..pump() },
    ];
    let set = [WATER, CAR, PUMP];
    // Permitted in all: 3000 + 3680 + 1000 = 7680 W; room for it up to a base of 4740 W.
    let rows = [
        (4700.0, [3000.0, 3680.0, 1000.0]),
        (5000.0, [3000.0, 3680.0, 0.0]),
        (6000.0, [3000.0, 1380.0, 0.0]),
        (9000.0, [3000.0, 0.0, 0.0]),
        (11_000.0, [0.0, 0.0, 0.0]),
    ];
    for (base, wanted) in rows {
        let mut bench = Bench::new(home(loads.clone(), false), &set);
        bench.power(500.0, 0.0);
        bench.live(200, 500.0, 0.0);
        assert_eq!([0, 1, 2].map(|i| bench.setpoint(i)), [3000.0, 3680.0, 1000.0]);
        bench.after(5);
        bench.answer(base, 0.0);
        let found = [0, 1, 2].map(|i| bench.setpoint(i));
        assert_eq!(found, wanted, "base {base}");
    }
}

#[test]
fn a_cut_is_immediate_and_raising_again_needs_a_minute_of_headroom() {
    let mut bench = Bench::new(home(vec![car()], true), &[CAR]);
    let readings = |drawn: f64, base: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base + drawn)]
    };
    bench.inputs(readings(0.0, 500.0));
    for _ in 0..6 {
        bench.after(10);
        bench.inputs(readings(7360.0, 500.0));
    }
    bench.after(1);
    bench.inputs(readings(7360.0, 8000.0));
    let cut_at = bench.now;
    assert_eq!(bench.setpoint(0), 1380.0);
    // The kettle is off again at once.
    let end = cut_at + Span::seconds(60);
    while bench.now + Span::seconds(5) < end {
        bench.after(5);
        bench.inputs(readings(1380.0, 500.0));
        assert_eq!((bench.setpoint(0), bench.limit(0)), (1380.0, Some(Limit::Supply)), "{:?}", bench.now);
    }
    bench.after(10);
    bench.inputs(readings(1380.0, 500.0));
    assert_eq!(bench.setpoint(0), 7360.0);
    assert!(bench.commands(0).last().unwrap().0 * 1000 >= end.0);
}

#[test]
fn a_second_excess_begins_the_minute_afresh() {
    let mut bench = Bench::new(home(vec![car()], true), &[CAR]);
    let readings = |drawn: f64, base: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base + drawn)]
    };
    bench.inputs(readings(0.0, 500.0));
    bench.hold_with(60, 10, |_| readings(7360.0, 500.0));
    bench.after(1);
    bench.inputs(readings(7360.0, 8000.0));
    for n in 1..=10 {
        assert!(bench.setpoint(0) <= 1380.0, "{n}");
        bench.after(10);
        let drawn = bench.setpoint(0);
        bench.inputs(readings(drawn, if n == 5 { 12_000.0 } else { 500.0 }));
    }
}

/// One kettle must not cascade everything off: from a cut until it has settled, a load counts what it was cut to,
/// although its meter still tells of the old draw.
#[test]
fn from_a_cut_until_it_has_settled_a_load_counts_its_new_set_point() {
    let loads = vec![Load { turn: 1, ..water() }, Load { turn: 2, ..car() }];
    let mut bench = Bench::new(home(loads, true), &[WATER, CAR]);
    let readings = |water: f64, car: f64, base: f64| {
        vec![
            Bench::reading(2, water),
            Bench::reading(3, car),
            Bench::reading(1, 0.0),
            Bench::reading(0, base + water + car),
        ]
    };
    bench.inputs(readings(0.0, 0.0, 500.0));
    for _ in 0..6 {
        bench.after(10);
        bench.inputs(readings(3000.0, 7360.0, 500.0));
    }
    // The kettle. The car is slow to obey: its meter tells of 7360 W for 20 s more.
    for _ in 0..10 {
        bench.after(2);
        bench.inputs(readings(3000.0, 7360.0, 3000.0));
        assert_eq!((bench.setpoint(0), bench.setpoint(1)), (3000.0, 1380.0), "{:?}", bench.now);
    }
    // A car that still does not obey counts as it draws, and the one that is left is cut.
    bench.after(20);
    bench.inputs(readings(3000.0, 7360.0, 3000.0));
    assert!(bench.setpoint(0) + bench.setpoint(1) < 4380.0);
}

#[test]
fn the_size_of_the_current_counts_whatever_its_sign() {
    // With a reversed clamp 13 kW of import look like 13 kW of export.
    let mut bench = Bench::new(home(vec![car()], false), &[CAR]);
    bench.power(-13_000.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Supply)));
}

#[test]
fn circuits_hold_their_ratings_nested_ones_too() {
    // garage 40 A, within it shed 20 A: the shed may have 18 A, both together 36 A.
    let mut one = home(vec![on_circuit(car(), 0), on_circuit(water(), 1), on_circuit(pump(), 1)], false);
    one.circuits = vec![circuit("garage", 40.0, None), circuit("shed", 20.0, Some(0))];
    let mut bench = Bench::new(one, &[CAR, WATER, PUMP]);
    bench.power(500.0, 0.0);
    let [car, water, pump] = [0, 1, 2].map(|i| bench.setpoint(i));
    assert!(water + pump <= 18.0 * 230.0 && car + water + pump <= 36.0 * 230.0, "{car} {water} {pump}");
    assert_eq!(car, 7360.0);
    assert_eq!((bench.limit(0), bench.limit(2)), (None, Some(Limit::Circuit)));
}

#[test]
fn the_rating_of_an_inner_circuit_holds_alone() {
    let mut one = home(vec![on_circuit(car(), 1)], false);
    one.circuits = vec![circuit("garage", 40.0, None), circuit("shed", 20.0, Some(0))];
    let mut bench = Bench::new(one, &[CAR]);
    bench.power(500.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (18.0 * 230.0, Some(Limit::Circuit)));
}

#[test]
fn ratings_hold_per_phase() {
    let three = Load { phases: 3, kind: Kind::ChargePoint { floor_a: 6.0, ceiling_a: 32.0 }, ..car() };
    let one_phase = |phase| Load { phase, ..car() };
    // Base of 30 A on phase 2 only, of a supply of 60 A per phase.
    for (load, amps) in [(three, 24.0), (one_phase(1), 32.0), (one_phase(2), 24.0), (one_phase(3), 32.0)] {
        let text = format!("{} phases from {}", load.phases, load.phase);
        let mut bench = Bench::new(three_phase_home(vec![load], Netting::Sum), &[CAR]);
        let base = [0.0, 6900.0, 0.0];
        let mut inputs: Vec<Input> = (3..6).map(|i| Bench::reading(i, 0.0)).collect();
        inputs.extend((0..3).map(|i| Bench::reading(i, base[usize::from(i)])));
        bench.inputs(inputs);
        assert_eq!(bench.load(0).setpoint_a, Some(amps), "{text}");
    }
}

#[test]
fn a_learnt_ratio_counts_for_ratings() {
    // A car on three phases, set up as if on one: it draws three times what it is told.
    let kept = Kept { ratios: [("car".to_owned(), 3.0)].into(), ..Kept::default() };
    let mut bench = restarted(home(vec![car()], false), kept, &[CAR], START);
    bench.power(500.0, 0.0);
    assert!(bench.setpoint(0) * 3.0 + 500.0 <= LIMIT_W, "{}", bench.setpoint(0));
    assert!(bench.setpoint(0) > 0.0);
}

#[test]
fn a_rating_takes_even_a_released_load_back() {
    let loads = vec![Load { fallback: Fallback::Release, device_timeout: None, ..car() }];
    let mut one = home(loads, true);
    one.inputs.push(ask_input("ask"));
    let set = [(
        "car",
        r#"let it = home.load("car"); if home.input("ask") > 0.0 { throw "broken"; } it.run("now");"#,
    )];
    let mut bench = Bench::new(one, &set);
    let readings = |drawn: f64, base: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, 0.0), Bench::reading(0, base + drawn)]
    };
    bench.other(0, 0.0);
    bench.inputs(readings(0.0, 500.0));
    bench.hold_with(60, 10, |_| readings(7360.0, 500.0));
    bench.other(0, 1.0);
    let sent = bench.sent(0).len();
    bench.hold_with(60, 10, |_| readings(7360.0, 500.0));
    assert_eq!(bench.sent(0).len(), sent, "released: nothing is sent");
    bench.after(1);
    bench.inputs(readings(7360.0, 9000.0));
    assert!(bench.sent(0).last().unwrap().2 <= 1380.0, "{:?}", bench.sent(0));
    assert!(bench.sent(0).len() > sent);
}

// freshness

#[test]
fn a_stale_grid_beats_an_override_at_exactly_that_moment() {
    let mut bench = Bench::new(home(vec![car()], false), &[]);
    bench.power(500.0, 0.0);
    bench.wish(wish(Want::On));
    bench.to(Moment(29_999));
    assert_eq!(bench.setpoint(0), 7360.0);
    bench.to(Moment(30_000));
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Stale)));
    assert_eq!(
        bench.outputs.iter().rev().find_map(|(t, o)| matches!(o, Output::Command(_)).then_some(t.0)),
        Some(30_000)
    );
}

#[test]
fn a_fallback_never_turns_on_what_a_person_switched_off() {
    let load = Load { fallback: Fallback::Amps { amps: 10.0 }, min_off: Span::ZERO, ..car() };
    for stopping in [false, true] {
        let mut bench = Bench::new(home(vec![load.clone()], false), &[CAR]);
        bench.power(500.0, 0.0);
        bench.wish(wish(Want::Off));
        bench.after(40);
        if stopping {
            bench.input(Input::Stopping);
        }
        bench.after(600);
        assert!(bench.switched(0).iter().rev().take(1).all(|(_, on)| !on), "stopping {stopping}");
        assert_eq!(bench.setpoint(0), 0.0);
    }
}

#[test]
fn what_the_winning_rule_read_must_be_fresh_too_and_the_fallback_is_exact() {
    let mut one = home(vec![car()], false);
    one.inputs.push(OtherInput { stale_after: Span::seconds(47), ..ask_input("ask") });
    let set = [("car", r#"if home.input("ask") > 0.0 { home.load("car").run("cheap"); }"#)];
    let mut bench = Bench::new(one, &set);
    bench.power(500.0, 0.0);
    bench.other(0, 1.0);
    bench.hold(60, 500.0, 0.0);
    assert_eq!(bench.commands(0), [(0, 0.0), (0, 7360.0), (47, 0.0)]);
    assert_eq!(bench.limit(0), Some(Limit::Stale));
}

#[test]
fn a_fallback_may_be_an_amount() {
    for (fallback, watts) in [
        (Fallback::Amps { amps: 8.0 }, 1840.0),
        (Fallback::Watts { watts: 2000.0 }, 1840.0),
        (Fallback::Off, 0.0),
    ] {
        let mut bench = Bench::new(home(vec![Load { fallback, ..car() }], false), &[CAR]);
        bench.power(500.0, 0.0);
        bench.after(30);
        assert_eq!(bench.setpoint(0), watts, "{fallback:?}");
    }
}

#[test]
fn release_stops_refreshing_and_counts_until_the_devices_own_time_out() {
    let load = Load { fallback: Fallback::Release, ..car() };
    let mut bench = Bench::new(home(vec![load], false), &[CAR]);
    bench.power(500.0, 0.0);
    bench.after(30);
    let sent = bench.sent(0).len();
    assert_eq!(bench.setpoint(0), 7360.0, "until its own time-out it counts as it stands");
    bench.after(119);
    assert_eq!(bench.setpoint(0), 7360.0);
    bench.after(1);
    assert_eq!(bench.setpoint(0), 0.0);
    bench.after(600);
    assert_eq!(bench.sent(0).len(), sent, "nothing is sent to a released load");
    // The grid is back: the load is commanded again.
    bench.power(500.0, 0.0);
    assert_eq!(bench.setpoint(0), 7360.0);
    assert_eq!(bench.sent(0).last(), Some(&(750, true, 7360.0)));
}

#[test]
fn released_without_a_time_out_a_load_counts_for_ever() {
    let load = Load { fallback: Fallback::Release, device_timeout: None, ..car() };
    let mut bench = Bench::new(home(vec![load], false), &[CAR]);
    bench.power(500.0, 0.0);
    bench.after(7200);
    assert_eq!(bench.setpoint(0), 7360.0);
}

#[test]
fn at_the_end_of_the_program_each_load_gets_its_fallback() {
    for (fallback, watts) in [(Fallback::Off, 0.0), (Fallback::Amps { amps: 8.0 }, 1840.0)] {
        let mut bench = Bench::new(home(vec![Load { fallback, ..car() }], false), &[CAR]);
        bench.power(500.0, 0.0);
        bench.after(5);
        bench.input(Input::Stopping);
        assert_eq!(bench.sent(0).last(), Some(&(5, watts > 0.0, watts)));
    }
    let mut bench = Bench::new(home(vec![Load { fallback: Fallback::Release, ..car() }], false), &[CAR]);
    bench.power(500.0, 0.0);
    let sent = bench.sent(0).len();
    bench.after(5);
    bench.input(Input::Stopping);
    assert_eq!(bench.sent(0).len(), sent);
}

// blind

const TIMED: (&str, &str) =
    ("car", r#"if home.clock.between("09:00", "23:00") { home.load("car").run_at_a(16, "timed"); }"#);

#[test]
fn a_timed_request_goes_on_under_the_blind_ceiling_if_there_is_one() {
    for (blind, watts) in [(None, 0.0), (Some(10.0), 2300.0), (Some(5.0), 0.0), (Some(40.0), 3680.0)] {
        let mut one = home(vec![car()], false);
        one.blind_a = blind;
        let mut bench = Bench::new(one, &[TIMED]);
        bench.power(500.0, 0.0);
        assert_eq!(bench.setpoint(0), 3680.0);
        bench.after(30);
        assert_eq!(bench.setpoint(0), watts, "{blind:?}");
        bench.after(600);
        assert_eq!(bench.setpoint(0), watts, "{blind:?}");
    }
}

#[test]
fn the_blind_ceiling_is_for_all_loads_together_earliest_turn_first() {
    let mut one = home(vec![car(), water()], false);
    one.blind_a = Some(20.0);
    let mut bench = Bench::new(one, &[TIMED, WATER]);
    bench.power(500.0, 0.0);
    bench.after(30);
    let total = bench.setpoint(0) + bench.setpoint(1);
    assert_eq!(bench.setpoint(0), 3680.0);
    assert!(total <= 20.0 * 230.0 && bench.setpoint(1) > 800.0, "{total}");
}

#[test]
fn the_blind_ceiling_is_for_requests_that_read_only_the_clock() {
    let reads = ("car", r#"if home.or("grid_w", 0.0) < 9e9 { home.load("car").run_at_a(6, "read"); }"#);
    let spare = ("car", r#"home.load("car").take_spare("spare");"#);
    for (set, person) in [(reads, false), (spare, false), (("none", "let x = 1;"), true)] {
        let mut one = home(vec![car()], false);
        one.blind_a = Some(40.0);
        let mut bench = Bench::new(one, &[set]);
        bench.power(-5000.0, 6000.0);
        if person {
            bench.wish(wish(Want::On));
        }
        bench.hold(70, -5000.0, 6000.0);
        assert!(bench.setpoint(0) > 0.0, "{set:?}");
        bench.after(30);
        assert_eq!(bench.setpoint(0), 0.0, "{set:?}");
    }
}

// the answer of the grid

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

// island, clock, restart

#[test]
fn an_island_or_an_unbelieved_clock_stops_automatic_switching_on_only() {
    for island in [true, false] {
        let begin = |bench: &mut Bench, yes: bool| {
            if island {
                bench.input(Input::Island(yes));
            } else {
                bench.input(Input::ClockSet { offset_ms: START.0, believed: !yes });
            }
        };
        let limit = if island { Limit::Island } else { Limit::Clock };
        let little = ("car", r#"home.load("car").run_at_a(6, "now");"#);
        let mut bench = Bench::new(home(vec![car(), water()], false), &[little, SPARE[1]]);
        begin(&mut bench, true);
        bench.power(-4000.0, 5000.0);
        bench.hold(300, -4000.0, 5000.0);
        assert_eq!((bench.setpoint(0), bench.setpoint(1)), (0.0, 0.0));
        assert_eq!((bench.limit(0), bench.limit(1)), (Some(limit), Some(limit)));
        bench.wish(wish(Want::On));
        assert_eq!(bench.setpoint(0), 7360.0, "a person may");
        bench.wish(wish(Want::Auto));
        begin(&mut bench, false);
        bench.hold(80, -4000.0, 5000.0);
        assert!(bench.setpoint(1) > 0.0);
        // What runs already goes on.
        begin(&mut bench, true);
        bench.hold(20, -4000.0, 5000.0);
        assert!(bench.setpoint(0) > 0.0 && bench.setpoint(1) > 0.0);
    }
}

#[test]
fn after_power_returns_loads_start_one_after_another() {
    let mut one = home(vec![car(), water(), pump()], false);
    one.restart_gap = Span::seconds(45);
    let mut bench = Bench::new(one.clone(), &[CAR, WATER, PUMP]);
    bench.power(500.0, 0.0);
    bench.hold(300, 500.0, 0.0);
    let starts = [0, 1, 2].map(|i| bench.switched(i)[0].0);
    assert_eq!(starts, [0, 45_000, 90_000]);
    // So too when an island ends: nothing started while it lasted.
    let mut bench = Bench::new(one, &[CAR, WATER, PUMP]);
    bench.input(Input::Island(true));
    bench.power(500.0, 0.0);
    bench.hold(1200, 500.0, 0.0);
    bench.input(Input::Island(false));
    bench.hold(300, 500.0, 0.0);
    let starts = [0, 1, 2].map(|i| bench.switched(i)[0].0);
    assert!(starts[0] >= 1_200_000);
    assert!(starts.windows(2).all(|w| w[1] - w[0] >= 45_000), "{starts:?}");
}

// what the load's own device and temperature tell

fn heater(fallback: Fallback) -> Home {
    let load = Load { too_hot: Some(TooHot { input: InputId(0), above: 85.0 }), fallback, ..water() };
    let mut one = home(vec![load], false);
    one.inputs.push(OtherInput { stale_after: Span::seconds(60), ..ask_input("tank_c") });
    one
}

#[test]
fn nothing_switches_on_what_is_too_hot_or_of_unknown_temperature() {
    for temperature in [None, Some(85.1), Some(400.0)] {
        let mut bench = Bench::new(heater(Fallback::Off), &[WATER]);
        bench.power(500.0, 0.0);
        temperature.into_iter().for_each(|t| bench.other(0, t));
        bench.wish(wish(Want::On));
        assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::TooHot)), "{temperature:?}");
    }
    let mut bench = Bench::new(heater(Fallback::Off), &[WATER]);
    bench.power(500.0, 0.0);
    bench.other(0, 85.0);
    assert_eq!(bench.setpoint(0), 3000.0);
    bench.hold(20, 500.0, 0.0);
    bench.other(0, 86.0);
    assert_eq!(bench.setpoint(0), 0.0, "inside min_on");
}

#[test]
fn a_temperature_that_goes_stale_stops_the_heater_at_that_moment() {
    let mut bench = Bench::new(heater(Fallback::Off), &[WATER]);
    bench.power(500.0, 0.0);
    bench.other(0, 50.0);
    bench.hold(100, 500.0, 0.0);
    assert_eq!(bench.commands(0), [(0, 0.0), (0, 3000.0), (60, 0.0)]);
}

#[test]
fn not_even_a_fallback_switches_on_what_is_too_hot() {
    for temperature in [None, Some(90.0)] {
        let mut bench = Bench::new(heater(Fallback::Watts { watts: 1000.0 }), &[WATER]);
        temperature.into_iter().for_each(|t| bench.other(0, t));
        bench.power(500.0, 0.0);
        bench.after(59);
        assert_eq!(bench.setpoint(0), 0.0, "{temperature:?}");
        bench.input(Input::Stopping);
        assert_eq!(bench.setpoint(0), 0.0, "{temperature:?}");
        assert!(bench.switched(0).is_empty());
    }
}

#[test]
fn a_car_that_is_not_there_or_not_ready_is_not_switched_on() {
    for (plugged, ready) in [(Some(false), None), (None, Some(false)), (Some(true), Some(false))] {
        let load = Load { reports_plugged: true, reports_ready: true, ..car() };
        let mut bench = Bench::new(home(vec![load], false), &[CAR]);
        bench.input(Input::LoadState { load: LoadId(0), plugged, ready });
        bench.power(500.0, 0.0);
        assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::NotReady)));
        bench.input(Input::LoadState { load: LoadId(0), plugged: Some(true), ready: Some(true) });
        assert_eq!(bench.setpoint(0), 7360.0);
        bench.after(5);
        bench.input(Input::LoadState { load: LoadId(0), plugged: Some(false), ready: None });
        assert_eq!(bench.setpoint(0), 0.0);
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
