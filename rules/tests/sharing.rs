//! Sharing spare power: starts, stops, raises, turns, and what each load is taken to draw.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span};
use support::*;

const CAR: (&str, &str) = ("car", r#"home.load("car").take_spare("spare");"#);
const WATER: (&str, &str) = ("water", r#"home.load("water").take_spare("spare");"#);
const PUMP: (&str, &str) = ("pump", r#"home.load("pump").take_spare("spare");"#);

fn world(loads: Vec<Load>, metered: bool, set: &[(&str, &str)], solar_w: f64) -> World {
    World::new(Bench::new(home(loads, metered), set), solar_w, 500.0)
}

/// Seconds at which the load's command rose, with the watts.
fn raises(bench: &Bench, load: u16) -> Vec<(i64, f64)> {
    let list = bench.commands(load);
    list.windows(2).filter(|w| w[1].1 > w[0].1).map(|w| w[1]).collect()
}

// turns

#[test]
fn the_first_turn_is_served_first_and_ties_go_by_the_files_order() {
    for (turns, first) in [([1, 2], 0), ([2, 1], 1), ([1, 1], 0)] {
        for metered in [true, false] {
            let pumps =
                vec![Load { turn: turns[0], ..pump() }, Load { turn: turns[1], id: "fan".into(), ..pump() }];
            let set = [PUMP, ("fan", r#"home.load("fan").take_spare("spare");"#)];
            // Enough for one only.
            let mut world = world(pumps, metered, &set, 2200.0);
            world.run(1200);
            let on = [0, 1].map(|i| world.draws_w[i] > 0.0);
            assert_eq!(on, [first == 0, first == 1], "{turns:?} metered {metered}");
        }
    }
}

#[test]
fn a_load_whose_floor_does_not_fit_takes_nothing_and_all_goes_on_to_the_next() {
    for metered in [true, false] {
        let mut world = world(vec![car(), water()], metered, &[CAR, WATER], 1800.0);
        world.run(1800);
        assert_eq!(world.draws_w[0], 0.0);
        assert!(world.draws_w[1] > 1200.0, "{:?}", world.draws_w);
        assert_eq!(world.bench.limit(0), Some(Limit::Spare));
    }
}

#[test]
fn what_whole_steps_leave_over_flows_on() {
    for metered in [true, false] {
        // 4500 W to spare are 19 A and 130 W more.
        let mut world = world(vec![car(), water()], metered, &[CAR, WATER], 5000.0);
        world.run(3600);
        assert_eq!(world.draws_w[0] % 230.0, 0.0);
        assert!(
            world.draws_w[1] > 0.0 && world.grid_w() <= 0.0 && world.grid_w() > -60.0,
            "{}",
            world.grid_w()
        );
    }
}

#[test]
fn what_a_settled_load_leaves_unused_beyond_500_w_flows_on() {
    // The car limits itself to 10 A although there would be 30.
    for metered in [true, false] {
        let mut world = world(vec![car(), water()], metered, &[CAR, WATER], 7500.0);
        world.takes_w[0] = 2300.0;
        world.run(3600);
        assert!(world.draws_w[1] > 2900.0, "metered {metered}: {:?}", world.draws_w);
        let promised = world.bench.setpoint(0);
        assert!(promised <= 2300.0 + 500.0, "metered {metered}: {promised}");
    }
}

// starts

#[test]
fn one_miss_resets_the_wait_for_a_start() {
    let mut bench = Bench::new(home(vec![car()], false), &[CAR]);
    for n in 0..=30 {
        bench.to(Moment(n * 5000));
        bench.power(if n == 8 { -1300.0 } else { -1400.0 }, 2000.0);
    }
    assert_eq!(bench.commands(0), [(0, 0.0), (105, 1380.0)]);
}

#[test]
fn a_load_waiting_to_start_counts_the_power_of_later_loads_and_they_make_room_at_once() {
    for metered in [true, false] {
        // The heater has 2 kW when the car's rule begins to ask.
        let mut one = home(vec![car(), water()], metered);
        one.inputs.push(ask_input("ask"));
        let asks = ("car", r#"if home.input("ask") > 0.0 { home.load("car").take_spare("spare"); }"#);
        let mut world = World::new(Bench::new(one, &[asks, WATER]), 2500.0, 500.0);
        world.bench.other(0, 0.0);
        world.run(900);
        assert!(world.draws_w[1] > 1900.0);
        world.bench.other(0, 1.0);
        let from = world.bench.now.0 / 1000;
        world.run(50);
        assert_eq!(world.bench.limit(0), Some(Limit::StartWait), "metered {metered}");
        assert!(world.draws_w[1] > 1900.0, "the heater keeps it meanwhile");
        world.run(130);
        let started = raises(&world.bench, 0)[0].0;
        let made_room = world.bench.commands(1).iter().find(|(t, w)| *t >= from && *w < 1000.0).unwrap().0;
        assert!((from + 60..=from + 70).contains(&made_room), "{made_room} after {from}");
        assert!(started > made_room, "it starts when that power is seen: {started}, {made_room}");
        assert!(started <= from + 110, "{started}");
        world.run(300);
        assert!(world.grid_w() <= 30.0, "{}", world.grid_w());
    }
}

#[test]
fn a_later_load_inside_min_on_keeps_its_floor_and_the_earlier_one_waits() {
    for metered in [true, false] {
        let mut one = home(vec![car(), pump()], metered);
        one.inputs.push(ask_input("ask"));
        let asks = ("car", r#"if home.input("ask") > 0.0 { home.load("car").take_spare("spare"); }"#);
        let mut world = World::new(Bench::new(one, &[asks, PUMP]), 2200.0, 500.0);
        world.bench.other(0, 0.0);
        while world.draws_w[1] == 0.0 {
            world.run(1);
        }
        let on_at = world.bench.switched(1).iter().find(|(_, on)| *on).unwrap().0;
        world.bench.other(0, 1.0);
        world.run(900);
        let off_at = world.bench.switched(1).iter().find(|(t, on)| !on && *t > on_at).unwrap().0;
        let started = raises(&world.bench, 0)[0].0 * 1000;
        assert!(off_at - on_at >= 300_000, "metered {metered}: {on_at} to {off_at}");
        assert!(off_at - on_at <= 400_000 && started >= off_at, "{on_at} {off_at} {started}");
    }
}

// stops

#[test]
fn a_stop_comes_after_stop_after_or_sooner_when_much_was_bought() {
    // Spare power left for a pump of 1 kW, and after how many seconds it goes.
    for (spare, low, high) in [(900.0, 180, 180), (600.0, 180, 180), (0.0, 90, 110)] {
        let mut world = world(vec![pump()], true, &[PUMP], 3000.0);
        world.run(600);
        assert_eq!(world.draws_w[0], 1000.0);
        world.solar_w = 500.0 + spare;
        // The first reading that tells of it comes at the next multiple of ten seconds.
        let from = world.bench.now.0 / 1000 + 10;
        world.run(300);
        let off = world.bench.commands(0).iter().rfind(|(_, w)| *w == 0.0).unwrap().0;
        assert!((low..=high).contains(&(off - from)), "{spare} W: {} s", off - from);
    }
}

#[test]
fn room_again_begins_the_wait_for_a_stop_afresh() {
    let mut world = world(vec![pump()], true, &[PUMP], 3000.0);
    world.run(600);
    for _ in 0..6 {
        world.solar_w = 1300.0;
        world.run(120);
        world.solar_w = 3000.0;
        world.run(20);
    }
    assert_eq!(world.draws_w[0], 1000.0);
}

// set-points

#[test]
fn a_set_point_is_lowered_at_once() {
    for metered in [true, false] {
        let mut world = world(vec![car()], metered, &[CAR], 6000.0);
        world.run(1800);
        let before = world.bench.setpoint(0);
        assert!(before >= 22.0 * 230.0, "{before}");
        world.solar_w = 4000.0;
        world.run(10);
        assert!(world.bench.setpoint(0) <= 15.0 * 230.0, "metered {metered}: {}", world.bench.setpoint(0));
    }
}

#[test]
fn a_charge_point_is_raised_after_raise_after_and_to_the_least_that_fitted() {
    let mut world = world(vec![car()], true, &[CAR], 2500.0);
    world.run(1200);
    assert_eq!(world.bench.setpoint(0), 8.0 * 230.0);
    // Room for 11 A by turns with room for 10 A, as the house takes less and more.
    let from = world.bench.now.0 / 1000;
    world.solar_w = 500.0 + 11.4 * 230.0;
    for n in 0..6 {
        world.base_w = 500.0 + if n % 2 == 0 { 0.0 } else { 230.0 };
        world.run(10);
    }
    let first = raises(&world.bench, 0).into_iter().find(|(t, _)| *t > from).unwrap();
    assert!(first.0 - from >= 30, "{first:?}, {from}");
    assert_eq!(first.1, 2300.0);
}

/// A cloud comes gradually, a kettle does not: only the roof's fall is taken to go on.
#[test]
fn while_the_roofs_power_falls_a_little_less_is_used_than_is_there() {
    let follows = |solar_w: f64, base_w: f64| {
        let mut world = world(vec![water()], true, &[WATER], 2500.0);
        world.run(1800);
        world.every_s = 10;
        world.run(20);
        (world.solar_w, world.base_w) = (2500.0 - solar_w, 500.0 + base_w);
        world.run(10);
        world.bench.setpoint(0)
    };
    let (kettle, cloud) = (follows(0.0, 250.0), follows(250.0, 0.0));
    assert!((1700.0..=1750.0).contains(&kettle), "{kettle}");
    assert!((1600.0..kettle).contains(&cloud), "{cloud}");
}

#[test]
fn a_raise_needs_two_readings_however_long_the_wait() {
    let mut one = home(vec![car()], true);
    one.points.iter_mut().for_each(|p| p.stale_after = Span::minutes(4));
    let mut world = World::new(Bench::new(one, &[CAR]), 2500.0, 500.0);
    world.every_s = 60;
    world.run(1800);
    let before = world.bench.setpoint(0);
    let from = world.bench.now.0 / 1000;
    world.solar_w = 3200.0;
    world.run(300);
    let first = raises(&world.bench, 0).into_iter().find(|(t, _)| *t > from).unwrap();
    assert!(before < first.1 && first.0 - from >= 120, "{first:?} from {from}");
}

#[test]
fn a_raise_needs_a_quarter_of_a_step_more_than_the_new_value() {
    for (more, raised) in [(1.2, false), (1.3, true)] {
        let mut world = world(vec![car()], true, &[CAR], 500.0 + 8.4 * 230.0);
        world.run(1200);
        assert_eq!(world.bench.setpoint(0), 8.0 * 230.0);
        world.solar_w = 500.0 + (8.0 + more) * 230.0;
        world.run(300);
        assert_eq!(world.bench.setpoint(0) > 8.0 * 230.0, raised, "{more}");
    }
}

#[test]
fn a_modulated_load_moves_up_in_steps_of_at_least_50_w() {
    for metered in [true, false] {
        let mut world = world(vec![water()], metered, &[WATER], 1500.0);
        for n in 0..120 {
            world.solar_w = 1500.0 + 7.0 * n as f64;
            world.run(10);
        }
        let list = world.bench.commands(0);
        for step in list.windows(2).filter(|w| w[1].1 > w[0].1 && w[0].1 > 0.0) {
            assert!(step[1].1 - step[0].1 >= 50.0, "{step:?}");
        }
        assert!(list.len() > 5);
    }
}

#[test]
fn a_charge_points_set_point_is_whole_amps_by_measured_volts_and_nothing_below_its_floor() {
    let mut one = home(vec![car()], false);
    one.points[0].extras = vec![Extra { kind: ExtraKind::Volts, scale: 1.0 }];
    let mut bench = Bench::new(one, &[("c", r#"home.load("car").run_at_w(2450.0, "so much");"#)]);
    let volts = |v| {
        Input::Reading(Reading {
            point: PointId(0),
            extra: Some(ExtraKind::Volts),
            value: v,
            device_time: None,
            retained: false,
        })
    };
    for (v, amps) in [(230.0, 10.0), (240.0, 10.0), (250.0, 9.0), (220.0, 11.0)] {
        bench.inputs(vec![volts(v), Bench::reading(1, 0.0), Bench::reading(0, 500.0)]);
        assert_eq!(bench.load(0).setpoint_a, Some(amps), "{v} V");
        assert_eq!(bench.setpoint(0), amps * v);
        bench.after(1);
    }
}

#[test]
fn a_switch_is_all_or_nothing() {
    for metered in [true, false] {
        let mut world = world(vec![pump()], metered, &[PUMP], 1450.0);
        for solar in [1450.0, 1700.0, 1400.0, 2500.0] {
            world.solar_w = solar;
            world.run(400);
            assert!([0.0, 1000.0].contains(&world.bench.setpoint(0)));
        }
        assert_eq!(world.draws_w[0], 1000.0);
    }
}

// terms

#[test]
fn terms_hold() {
    // Terms, spare power in watts, and the heater's watts after an hour, from and to.
    let rows = [
        ("#{}", 2000.0, 1940.0, 2000.0),
        ("#{ at_most_w: 1200 }", 2000.0, 1200.0, 1200.0),
        ("#{ keep_w: 600 }", 2000.0, 1340.0, 1400.0),
        ("#{ at_least_w: 2100 }", 2000.0, 0.0, 0.0),
        ("#{ at_least_w: 1900 }", 2000.0, 1900.0, 2000.0),
        ("#{ at_least_w: 2100, grid_up_to_w: 150 }", 2000.0, 2100.0, 2100.0),
        ("#{ at_least_w: 2100, grid_up_to_w: 50 }", 2000.0, 0.0, 0.0),
        ("#{ at_least_w: 1000, at_most_w: 1000 }", 2000.0, 1000.0, 1000.0),
    ];
    for (terms, spare, low, high) in rows {
        for metered in [true, false] {
            let body = format!(r#"home.load("water").take_spare({terms}, "spare");"#);
            let mut world = world(vec![water()], metered, &[("w", &body)], 500.0 + spare);
            world.run(3600);
            let drawn = world.draws_w[0];
            assert!((low..=high).contains(&drawn), "{terms} metered {metered}: {drawn}");
        }
    }
}

#[test]
fn the_grid_helps_only_to_reach_the_floor() {
    let body = r#"home.load("car").take_spare(#{ grid_up_to_w: 700 }, "spare");"#;
    for (spare, amps) in [(600.0, 0.0), (800.0, 6.0), (1300.0, 6.0), (1700.0, 7.0)] {
        let mut world = world(vec![car()], true, &[("c", body)], 500.0 + spare);
        world.run(2400);
        assert_eq!(world.draws_w[0], amps * 230.0, "{spare}");
    }
}

// loads that take nothing

#[test]
fn a_load_that_takes_nothing_passes_its_share_on_and_is_tried_after_10_minutes_doubling_to_60() {
    for metered in [true, false] {
        let mut world = world(vec![car(), water()], metered, &[CAR, WATER], 5000.0);
        world.takes_w[0] = 0.0;
        world.run(5 * 3600);
        assert!(world.draws_w[1] > 2900.0, "metered {metered}");
        let switched = world.bench.switched(0);
        let ons: Vec<i64> = switched.iter().filter(|(_, on)| *on).map(|(t, _)| *t).collect();
        let rests: Vec<i64> = switched
            .iter()
            .filter(|(_, on)| !*on)
            .filter_map(|(t, _)| ons.iter().find(|on| *on > t).map(|on| (on - t) / 60_000))
            .collect();
        let wanted = [10, 20, 40, 60];
        assert!(rests.len() >= 4, "{rests:?}");
        for (n, rest) in rests.iter().enumerate() {
            let want = wanted[n.min(3)];
            assert!((want..=want + 3).contains(rest), "metered {metered}: {rests:?}");
        }
        // Each try lasts `min_on`, for it may not be switched off before.
        assert!(ons.iter().all(|on| switched.iter().any(|(t, o)| !o && *t >= on + 300_000)));
    }
}

#[test]
fn a_try_that_succeeds_ends_the_waiting() {
    for metered in [true, false] {
        let mut world = world(vec![car(), water()], metered, &[CAR, WATER], 5000.0);
        world.takes_w[0] = 0.0;
        world.run(1800);
        assert_eq!(world.draws_w[0], 0.0);
        world.takes_w[0] = f64::INFINITY;
        world.run(3 * 3600);
        assert!(world.draws_w[0] > 3000.0, "metered {metered}: {:?}", world.draws_w);
    }
}

#[test]
fn a_load_not_yet_seen_to_draw_is_offered_its_floor_or_500_w() {
    for (load, set, offer) in [(car(), CAR, 1380.0), (water(), WATER, 500.0)] {
        for metered in [true, false] {
            let mut world = world(vec![load.clone()], metered, &[set], 7000.0);
            world.takes_w[0] = 0.0;
            world.run(600);
            let most = world.bench.commands(0).iter().map(|(_, w)| *w).fold(0.0, f64::max);
            assert_eq!(most, offer, "{} metered {metered}", load.id);
        }
    }
}

#[test]
fn seen_to_draw_a_load_is_offered_a_step_or_500_w_above_its_draw() {
    let mut world = world(vec![car()], true, &[CAR], 8000.0);
    world.takes_w[0] = 1500.0;
    world.run(1800);
    // 1500 W and 500 W more are 8 A.
    assert_eq!(world.bench.setpoint(0), 8.0 * 230.0);
}

// settling

#[test]
fn while_a_load_settles_its_allotment_stays() {
    let mut bench = Bench::new(home(vec![car()], true), &[CAR]);
    let readings = |drawn: f64, solar: f64| {
        vec![Bench::reading(2, drawn), Bench::reading(1, solar), Bench::reading(0, 500.0 + drawn - solar)]
    };
    bench.inputs(readings(0.0, 3000.0));
    for _ in 0..6 {
        bench.after(10);
        bench.inputs(readings(0.0, 3000.0));
    }
    assert_eq!(bench.setpoint(0), 1380.0);
    // It draws nothing for 25 s, whatever the sun does meanwhile.
    for solar in [6000.0, 2500.0, 8000.0, 3000.0, 7000.0] {
        bench.after(5);
        bench.inputs(readings(0.0, solar));
        assert_eq!(bench.setpoint(0), 1380.0);
    }
}

#[test]
fn power_promised_to_a_load_that_settles_is_taken_from_the_others_at_once() {
    let mut bench = Bench::new(home(vec![car(), water()], true), &[CAR, WATER]);
    let readings = |water: f64| {
        vec![
            Bench::reading(2, 0.0),
            Bench::reading(3, water),
            Bench::reading(1, 2500.0),
            Bench::reading(0, 500.0 + water - 2500.0),
        ]
    };
    bench.inputs(readings(0.0));
    for _ in 0..12 {
        bench.after(10);
        let drawn = bench.setpoint(1);
        bench.inputs(readings(drawn));
        // 2000 W to spare: never more than that promised to both, though the car draws nothing yet.
        assert!(bench.setpoint(0) + bench.setpoint(1) <= 2000.0);
    }
    assert_eq!(bench.setpoint(0), 1380.0);
}

#[test]
fn power_that_a_load_gives_up_is_lent_only_once_it_is_seen() {
    // The car obeys after 20 s; the heater must not get what it still draws.
    let mut world = world(vec![car(), water()], true, &[CAR, WATER], 6000.0);
    world.obey_s = 20;
    world.run(3600);
    world.solar_w = 3000.0;
    let mut worst: f64 = 0.0;
    for _ in 0..300 {
        world.run(1);
        if world.bench.now.0 % 10_000 == 0 {
            let water = world.bench.setpoint(1);
            let car = world.draws_w[0].max(world.bench.setpoint(0));
            worst = worst.max(if car > 2500.0 { water } else { 0.0 });
        }
    }
    assert!(worst < 600.0, "{worst}");
}

#[test]
fn an_unmetered_load_counts_with_what_the_grid_has_confirmed() {
    let mut bench =
        Bench::new(home(vec![car()], false), &[("c", r#"home.load("car").run_at_a(10, "now");"#)]);
    bench.power(500.0, 0.0);
    assert_eq!((bench.load(0).draw_w, bench.load(0).draw_source), (Some(0.0), DrawSource::Estimate));
    bench.hold(40, 2800.0, 0.0);
    assert_eq!(bench.load(0).draw_w, Some(2300.0));
    // One that the grid never answered counts nothing.
    let mut bench =
        Bench::new(home(vec![car()], false), &[("c", r#"home.load("car").run_at_a(10, "now");"#)]);
    bench.power(500.0, 0.0);
    bench.hold(200, 500.0, 0.0);
    assert_eq!(bench.load(0).draw_w, Some(0.0));
    assert_eq!(bench.balance().total.base_w, Some(500.0));
}

// what is learnt

#[test]
fn the_ratio_is_learnt_kept_and_told() {
    // A car on three phases, set up as if it were on one: it draws three times what it is told.
    for metered in [true, false] {
        let set = [("c", r#"home.load("car").run_at_a(6, "now");"#)];
        let mut bench = Bench::new(home(vec![car()], metered), &set);
        let feed = |bench: &mut Bench, seconds: i64| {
            for _ in 0..(seconds / 10) {
                bench.after(10);
                let drawn = 3.0 * bench.setpoint(0);
                let mut inputs = vec![Bench::reading(1, 0.0), Bench::reading(0, 500.0 + drawn)];
                if metered {
                    inputs.insert(0, Bench::reading(2, drawn));
                }
                bench.inputs(inputs);
            }
        };
        bench.power(500.0, 0.0);
        feed(&mut bench, 400);
        if !metered {
            assert_eq!(bench.controller.kept().ratios["car"], 1.0, "one start alone teaches nothing");
            for _ in 0..2 {
                bench.wish(wish(Want::Off));
                feed(&mut bench, 330);
                bench.wish(wish(Want::Auto));
                feed(&mut bench, 330);
            }
        }
        let ratio = bench.controller.kept().ratios["car"];
        assert!((ratio - 3.0).abs() < 0.05, "metered {metered}: {ratio}");
        assert_eq!(bench.told("odd_response").len(), 1);
        assert!(
            bench.records().iter().any(|(_, r)| matches!(r, Record::Learnt { ratio, .. } if *ratio > 2.9))
        );
        let again = restarted(home(vec![car()], metered), bench.controller.kept(), &set, START);
        assert_eq!(again.controller.kept().ratios["car"], ratio);
    }
}

#[test]
fn floor_and_steps_use_the_learnt_ratio() {
    let kept = Kept { ratios: [("car".to_owned(), 3.0)].into(), ..Kept::default() };
    for (spare, starts) in [(4000.0, false), (4300.0, true)] {
        let mut bench = restarted(home(vec![car()], false), kept.clone(), &[CAR], START);
        bench.power(-spare, 5000.0);
        bench.hold(70, -spare, 5000.0);
        assert_eq!(bench.setpoint(0) > 0.0, starts, "{spare}");
    }
}

#[test]
fn a_full_car_teaches_nothing() {
    for metered in [true, false] {
        let mut world = world(vec![car()], metered, &[("c", r#"home.load("car").run("now");"#)], 0.0);
        world.takes_w[0] = 2000.0;
        world.run(1800);
        assert_eq!(world.bench.controller.kept().ratios["car"], 1.0, "metered {metered}");
    }
}

#[test]
fn an_unmetered_load_settles_with_the_first_reading_whose_own_time_is_settle_after_the_command() {
    for lag in [0, 15] {
        let mut one = home(vec![car()], false);
        one.points.iter_mut().for_each(|p| {
            p.lag = Span::seconds(lag);
            p.stale_after = Span::seconds(60);
        });
        let mut bench = Bench::new(one, &[("c", r#"home.load("car").run_at_a(10, "now");"#)]);
        bench.power(500.0, 0.0);
        bench.hold(30 + lag - 5, 2800.0, 0.0);
        assert_eq!(bench.load(0).draw_w, Some(0.0), "lag {lag}");
        bench.hold(10, 2800.0, 0.0);
        bench.power(2800.0, 0.0);
        assert_eq!(bench.load(0).draw_w, Some(2300.0), "lag {lag}");
    }
}

#[test]
fn a_step_below_500_w_of_an_unmetered_load_is_taken_to_follow() {
    let mut one = home(vec![water()], false);
    one.inputs.push(ask_input("ask"));
    let rule = obedient("water");
    let mut bench = Bench::new(one, &[("w", &rule)]);
    bench.other(0, 1000.0);
    bench.power(500.0, 0.0);
    bench.hold(30, 1500.0, 0.0);
    assert_eq!(bench.load(0).draw_w, Some(1000.0));
    bench.other(0, 1300.0);
    bench.hold(30, 1500.0, 0.0);
    assert_eq!(bench.load(0).draw_w, Some(1300.0));
}
