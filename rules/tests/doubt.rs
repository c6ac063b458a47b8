//! When in doubt: stale readings, a backup supply, an unset clock, a load that is not ready or too hot.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span};
use support::*;

const CAR: (&str, &str) = ("car", r#"home.load("car").run("now");"#);
const WATER: (&str, &str) = ("water", r#"home.load("water").run("now");"#);
const PUMP: (&str, &str) = ("pump", r#"home.load("pump").run("now");"#);
const SPARE_WATER: (&str, &str) = ("water", r#"home.load("water").take_spare("spare");"#);

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
        let mut bench = Bench::new(home(vec![car(), water()], false), &[little, SPARE_WATER]);
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

/// The same on a three-phase home: a supply of which one phase is not known is not known.
#[test]
fn one_stale_phase_sends_every_load_to_its_fallback_at_that_moment() {
    let second = Load { id: "second".into(), phase: 2, ..car() };
    let set = [CAR, ("second", r#"home.load("second").run("now");"#)];
    let mut bench = Bench::new(three_phase_home(vec![car(), second], Netting::Sum), &set);
    let grid = |points: std::ops::Range<u16>| points.map(|p| Bench::reading(p, 500.0)).collect::<Vec<_>>();
    bench.inputs(grid(0..6));
    bench.hold_with(60, 10, |_| grid(0..6));
    assert!(bench.setpoint(0) > 0.0 && bench.setpoint(1) > 0.0);
    // Phase 2 falls silent.
    let last = bench.now.0;
    bench.hold_with(20, 10, |_| [grid(0..1), grid(2..6)].concat());
    assert!(bench.setpoint(0) > 0.0 && bench.setpoint(1) > 0.0);
    bench.to(Moment(last + 29_999));
    assert!(bench.setpoint(0) > 0.0 && bench.setpoint(1) > 0.0);
    bench.to(Moment(last + 30_000));
    assert_eq!((bench.setpoint(0), bench.setpoint(1)), (0.0, 0.0));
    assert_eq!((bench.limit(0), bench.limit(1)), (Some(Limit::Stale), Some(Limit::Stale)));
}

#[test]
fn on_a_backup_supply_not_even_a_fallback_starts_a_load_but_an_unset_clock_does_not_hold_it() {
    let frost = Load { fallback: Fallback::Watts { watts: 500.0 }, ..water() };
    let begin = |input: Input| {
        let mut bench = Bench::bare(home(vec![frost.clone()], false), overspill_rules::kept::Kept::default());
        bench.inputs(vec![
            Input::ClockSet { offset_ms: START.0, believed: true },
            input,
            Input::Rules(rules(&[SPARE_WATER])),
        ]);
        bench.hold(100, 300.0, 0.0);
        bench.after(60);
        bench
    };
    let island = begin(Input::Island(true));
    assert_eq!((island.setpoint(0), island.limit(0)), (0.0, Some(Limit::Stale)));
    let unset = begin(Input::ClockSet { offset_ms: START.0, believed: false });
    assert_eq!(unset.setpoint(0), 500.0);
}
