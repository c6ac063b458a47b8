//! From readings to commands: starts, stops, waits and sharing, one sentence of the specification at a time.
#![allow(missing_docs, clippy::unwrap_used, clippy::panic)]

mod support;

use overspill_rules::home::LoadId;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span};
use support::*;

const SPARE: &[(&str, &str)] = &[
    ("car", r#"home.load("car").take_spare("spare solar");"#),
    ("water", r#"home.load("water").take_spare("spare solar");"#),
];

#[test]
fn a_load_starts_at_its_floor_once_spare_power_has_lasted() {
    let mut bench = Bench::new(home(vec![car()], false), &SPARE[..1]);
    bench.power(-4000.0, 4500.0);
    assert_eq!(bench.load(0).limited_by, Some(Limit::StartWait));
    for _ in 0..6 {
        bench.after(10);
        bench.power(-4000.0, 4500.0);
    }
    assert_eq!(bench.commands(0), [(0, 0.0), (60, 1380.0)]);
    assert_eq!(bench.load(0).rule.as_deref(), Some("car"));
}

#[test]
fn one_reading_without_room_begins_the_wait_afresh() {
    let mut bench = Bench::new(home(vec![car()], false), &SPARE[..1]);
    for n in 0..12 {
        bench.power(if n == 5 { -1000.0 } else { -4000.0 }, 4500.0);
        bench.after(10);
    }
    bench.power(-4000.0, 4500.0);
    assert_eq!(bench.commands(0), [(0, 0.0), (120, 1380.0)]);
}

#[test]
fn a_load_nobody_asks_for_is_off_and_says_so() {
    let mut bench = Bench::new(home(vec![car()], false), &[("none", "let x = home.grid_w;")]);
    bench.power(-4000.0, 4500.0);
    let report = bench.load(0);
    assert_eq!((report.on, report.reason.as_str(), report.rule), (false, "no rule asks for it", None));
}

#[test]
fn the_highest_ranking_rule_that_asks_wins() {
    let set = [
        ("first", r#"if home.solar_w > 5000 { home.load("car").stop("too bright"); }"#),
        ("second", r#"home.load("car").run("now");"#),
    ];
    let mut bench = Bench::new(home(vec![car()], false), &set);
    bench.power(500.0, 0.0);
    assert_eq!((bench.load(0).rule.as_deref(), bench.setpoint(0)), (Some("second"), 7360.0));
    bench.after(310);
    bench.power(500.0, 6000.0);
    assert_eq!((bench.load(0).rule.as_deref(), bench.setpoint(0)), (Some("first"), 0.0));
}

#[test]
fn fallback_comes_at_exactly_the_moment_the_grid_goes_stale() {
    let mut bench = Bench::new(home(vec![car()], false), &[("car", r#"home.load("car").run("now");"#)]);
    bench.power(500.0, 0.0);
    assert_eq!(bench.setpoint(0), 7360.0);
    bench.after(60);
    assert_eq!(bench.commands(0), [(0, 0.0), (0, 7360.0), (30, 0.0)]);
    assert_eq!(bench.load(0).limited_by, Some(Limit::Stale));
    assert!(bench.load(0).reason.contains("no"), "{}", bench.load(0).reason);
}

#[test]
fn commands_are_refreshed_as_a_lease() {
    let mut bench = Bench::new(home(vec![car()], false), &[("car", r#"home.load("car").run("now");"#)]);
    for _ in 0..12 {
        bench.power(500.0, 0.0);
        bench.after(10);
    }
    let repeats = bench.outputs.iter().filter(|(_, o)| matches!(o, Output::Command(c) if c.repeat)).count();
    assert_eq!(repeats, 4);
}

#[test]
fn an_override_is_taken_and_ends() {
    let mut bench = Bench::new(home(vec![car()], false), &SPARE[..1]);
    bench.power(500.0, 0.0);
    bench.input(Input::Override(OverrideRequest {
        load: LoadId(0),
        want: Want::On,
        amount: Some(Amount::Amps(10.0)),
        end: Some(End::For(Span::minutes(20))),
        by: Some("Ada".into()),
        id: None,
        retained: false,
    }));
    assert_eq!(bench.setpoint(0), 2300.0);
    assert_eq!(bench.load(0).reason, "switched on by Ada");
    bench.steady(1300, 10, |_| 2800.0);
    assert_eq!(bench.setpoint(0), 0.0);
    assert_eq!(bench.now, Moment(1_300_000));
}
