//! What is said of a load, and what its form asks.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

use std::path::Path;

use overspill_rules::home::LoadId;
use overspill_rules::input::{Amount, End, Want};
use overspill_rules::output::{Asked, DrawSource, Limit, LoadReport, RuleReport, RuleState};
use overspill_rules::request::{Request, SpareTerms};
use overspill_rules::time::{Span, WallTime};

use super::state::{LoadNow, one};
use super::wish::Wish;
use crate::config::{self, Config};
use crate::daemon::Facts;

/// Noon in London on 2026-06-01.
const NOON: WallTime = WallTime(1_780_311_600_000);

const CAR: LoadId = LoadId(0);
const WATER: LoadId = LoadId(1);

fn home() -> Config {
    config::parse(include_str!("../../../../examples/wren/home.toml"), Path::new("home.toml")).unwrap()
}

fn report(load: LoadId) -> LoadReport {
    LoadReport {
        load,
        at: Some(NOON),
        on: false,
        setpoint_w: 0.0,
        setpoint_a: None,
        draw_w: Some(0.0),
        draw_source: DrawSource::Estimate,
        rule: Some("car".to_owned()),
        reason: "spare solar".to_owned(),
        limited_by: None,
        waits_until: None,
        override_until: None,
        out_of_service: None,
    }
}

fn now(config: &Config, report: LoadReport, terms: SpareTerms) -> LoadNow {
    let mut facts = Facts::new(&config.home);
    let load = report.load;
    let asked = Asked {
        rule: "car".to_owned(),
        load,
        request: Request::TakeSpare(terms),
        reason: "spare solar".to_owned(),
    };
    let rule = RuleReport {
        rule: "car".to_owned(),
        at: None,
        state: RuleState::Ok,
        message: None,
        line: None,
        column: None,
        requests: vec![asked],
    };
    facts.rules.insert("car".to_owned(), rule);
    facts.loads[usize::from(load.0)].report = Some(report);
    one(&config.home, &facts, load, NOON)
}

fn words(now: &LoadNow) -> String {
    let parts = [Some(&now.does), Some(&now.draws), now.held.as_ref(), now.may_change.as_ref()];
    parts.into_iter().flatten().map(String::as_str).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_time_is_said_only_where_the_controller_tells_one() {
    let home = home();
    let told = |limit, waits: Option<i64>, terms| {
        let waits_until = waits.map(|minutes| NOON + Span::minutes(minutes));
        words(&now(&home, LoadReport { limited_by: Some(limit), waits_until, ..report(CAR) }, terms))
    };
    insta::assert_snapshot!(told(Limit::StartWait, Some(1), SpareTerms::default()), @"
    Off: spare solar (rule car).
    It draws about 0 W, estimated by the grid's answer to its steps.
    Enough is spare; it starts once that has lasted 1 min.
    It starts about 12:01 if the sun holds.
    ");
    insta::assert_snapshot!(told(Limit::Spare, None, SpareTerms::default()), @"
    Off: spare solar (rule car).
    It draws about 0 W, estimated by the grid's answer to its steps.
    Not enough power is spare for it.
    It waits until 1380 W are spare for 1 min, when its turn comes.
    ");
    let terms = SpareTerms { at_least_w: Some(2000.0), at_most_w: None, keep_w: 300.0, grid_up_to_w: 500.0 };
    assert!(told(Limit::Spare, None, terms).contains("until 1800 W are spare"));
    for (limit, waits, expected) in [
        (Limit::MinOff, Some(5), "It may start again from 12:05."),
        (Limit::MinOn, Some(4), "It stays on until 12:04 at least."),
        (Limit::NoAnswer, Some(10), "It is tried again about 12:10."),
        (Limit::Stale, None, "It waits for a fresh reading."),
        (Limit::Circuit, None, "The rating of circuit garage (40 A) holds it down."),
    ] {
        let told = told(limit, waits, SpareTerms::default());
        assert!(told.contains(expected), "{told}");
    }
}

#[test]
fn an_override_and_out_of_service_say_when_they_end() {
    let home = home();
    let held = LoadReport {
        on: true,
        setpoint_w: 2300.0,
        setpoint_a: Some(10.0),
        rule: None,
        reason: "switched on by Ada".to_owned(),
        draw_w: Some(2270.0),
        draw_source: DrawSource::Meter,
        override_until: Some(NOON + Span::hours(14)),
        ..report(CAR)
    };
    insta::assert_snapshot!(words(&now(&home, held, SpareTerms::default())), @"
    Set to 10 A: switched on by Ada.
    It draws 2270 W, by its own meter.
    The override ends at Tue 2 June, 02:00; then the rules decide again.
    ");
    let out = LoadReport {
        limited_by: Some(Limit::OutOfService),
        out_of_service: Some("Bo".to_owned()),
        reason: "out of service, says Bo".to_owned(),
        rule: None,
        ..report(WATER)
    };
    let told = words(&now(&home, out, SpareTerms::default()));
    assert!(told.contains("until a named person puts it back"), "{told}");
}

#[test]
fn the_bounds_of_the_home_file_are_said() {
    let home = home();
    let bounds = |load| {
        let bounds = now(&home, report(load), SpareTerms::default()).bounds;
        bounds.iter().map(|b| format!("{}: {}", b.name, b.words)).collect::<Vec<_>>().join("\n")
    };
    insta::assert_snapshot!(bounds(CAR), @"
    Floor: 6 A (1380 W); nothing between that and off
    Ceiling: 32 A (7360 W)
    Phases: one
    Turn: 1: served first with spare power
    Circuit: garage, 40 A, within the supply, 60 A
    Starts after: 1 min of enough spare power, without a miss
    Stops after: 3 min of too little, or sooner once much was bought
    Raised after: 30 s of room for more
    Runs: at least 5 min at a time
    Rests: at least 5 min at a time
    Fallback: no command, so that its own time-out acts; whenever a reading is missing, a rule fails, or the program ends
    By itself: its device gives up a command that was not repeated for 2 min
    ");
    let water = bounds(WATER);
    assert!(water.contains("Turn: 2: after Car") && water.contains("Floor: none"), "{water}");
}

fn wish(want: &str, amount: &str, lasts: &str, until: &str) -> Wish {
    Wish {
        want: want.to_owned(),
        amount: amount.to_owned(),
        lasts: lasts.to_owned(),
        until: until.to_owned(),
    }
}

#[test]
fn the_form_asks_what_it_says() {
    let home = home().home;
    let asked = |load, wish: Wish| wish.request(&home, load, "Ada", NOON).unwrap();
    let on = asked(CAR, wish("on", "10", "30m", ""));
    assert_eq!(
        (on.want, on.amount, on.end),
        (Want::On, Some(Amount::Amps(10.0)), Some(End::For(Span::minutes(30))))
    );
    assert_eq!((on.by.as_deref(), on.retained), (Some("Ada"), false));
    let on = asked(WATER, wish("on", "1500,5", "until", "18:30"));
    assert_eq!(on.amount, Some(Amount::Watts(1500.5)));
    assert_eq!(on.end, Some(End::Until(NOON + Span::minutes(390))));
    // What does not belong to "off" and "auto" is left out.
    let off = asked(WATER, wish("off", "1500", "8h", "x"));
    assert_eq!((off.want, off.amount, off.end), (Want::Off, None, Some(End::For(Span::hours(8)))));
    let auto = asked(WATER, wish("auto", "1500", "8h", ""));
    assert_eq!((auto.want, auto.amount, auto.end), (Want::Auto, None, None));
}

#[test]
fn what_can_t_be_read_in_the_form_is_told() {
    let home = home().home;
    for (wish, told) in [
        (wish("on", "a lot", "2h", ""), "no number of watts"),
        (wish("on", "1e999", "2h", ""), "no number of watts"),
        (wish("on", "-5", "2h", ""), "`watts` is a number above 0"),
        (wish("on", "", "until", ""), "say until what time"),
        (wish("on", "", "until", "noon"), "such as 07:30"),
        (wish("on", "", "25h", ""), "at most 1 d"),
        (wish("on", "", "", ""), "no duration"),
        (wish("", "", "2h", ""), "`want` is"),
        (wish("on\",\"x\":\"y", "", "2h", ""), "`want` is"),
    ] {
        let why = wish.request(&home, WATER, "Ada", NOON).unwrap_err();
        assert!(why.contains(told), "{wish:?}: {why}");
    }
}
