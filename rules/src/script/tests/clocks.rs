//! The clock as rules see it.

use std::sync::Arc;

use super::support::*;
use crate::script::{LoadLog, LoadMark, View};
use crate::time::{Moment, Span};

fn at(utc: &str) -> View {
    View { wall: Some(wall(utc)), ..view() }
}

#[test]
fn a_clock_that_is_not_set_makes_the_rule_wait() {
    let unset = View { wall: None, ..view() };
    for body in [
        "home.clock.hour;",
        "home.clock.between(\"00:30\", \"05:30\");",
        "home.load(\"car\").energy_since(\"12:00\");",
    ] {
        assert_eq!(told(&run_with(body, unset.clone())), "waiting: the clock is not set yet", "{body}");
    }
    assert_eq!(told(&run_with("home.clock; home.grid_w;", unset)), "asked ");
}

#[test]
fn the_clock_tells_local_time() {
    let summer = at("2026-06-06T23:45:10Z");
    assert_eq!(value_with("home.clock.hour", summer.clone()), 0.0);
    assert_eq!(value_with("home.clock.minute", summer.clone()), 45.0);
    assert_eq!(value_with("home.clock.day", summer.clone()), 7.0);
    assert_eq!(value_with("home.clock.month", summer.clone()), 6.0);
    assert!(holds_with("home.clock.weekday == \"sun\"", summer.clone()));
    assert!(holds_with("home.clock.weekday in [\"sat\", \"sun\"]", summer));
    assert!(holds_with("home.clock.weekday == \"mon\"", at("2026-06-08T12:00:00Z")));
}

#[test]
fn between_is_from_the_start_until_before_the_end() {
    let night = "home.clock.between(\"00:30\", \"05:30\")";
    assert!(!holds_with(night, at("2026-01-10T00:29:59.900Z")));
    assert!(holds_with(night, at("2026-01-10T00:30:00Z")));
    assert!(holds_with(night, at("2026-01-10T05:29:59.900Z")));
    assert!(!holds_with(night, at("2026-01-10T05:30:00Z")));
}

#[test]
fn between_goes_across_midnight() {
    let late = "home.clock.between(\"22:00\", \"06:00\")";
    assert!(holds_with(late, at("2026-01-10T22:00:00Z")));
    assert!(holds_with(late, at("2026-01-11T00:00:00Z")));
    assert!(holds_with(late, at("2026-01-11T05:59:00Z")));
    assert!(!holds_with(late, at("2026-01-11T06:00:00Z")));
    assert!(!holds_with(late, at("2026-01-11T21:59:59Z")));
}

#[test]
fn between_follows_the_clocks_when_they_change() {
    let night = "home.clock.between(\"00:30\", \"05:30\")";
    // 29 March: from 00:30 GMT to 05:30 BST, which is 04:30 GMT.
    assert!(holds_with(night, at("2026-03-29T00:30:00Z")));
    assert!(holds_with(night, at("2026-03-29T04:29:59Z")));
    assert!(!holds_with(night, at("2026-03-29T04:30:00Z")));
    // 25 October: from 00:30 BST, which is 23:30 GMT the day before, to 05:30 GMT.
    assert!(!holds_with(night, at("2026-10-24T23:29:59Z")));
    assert!(holds_with(night, at("2026-10-24T23:30:00Z")));
    assert!(holds_with(night, at("2026-10-25T05:29:59Z")));
    assert!(!holds_with(night, at("2026-10-25T05:30:00Z")));
}

#[test]
fn a_window_inside_the_repeated_hour_comes_twice() {
    let window = "home.clock.between(\"01:15\", \"01:45\")";
    for (utc, inside) in [
        ("2026-10-25T00:14:00Z", false),
        ("2026-10-25T00:15:00Z", true),
        ("2026-10-25T00:45:00Z", false),
        ("2026-10-25T01:15:00Z", true),
        ("2026-10-25T01:45:00Z", false),
    ] {
        assert_eq!(holds_with(window, at(utc)), inside, "{utc}");
    }
    // On the day on which the hour is skipped it does not come at all.
    assert!(!holds_with(window, at("2026-03-29T00:59:59Z")));
    assert!(!holds_with(window, at("2026-03-29T01:00:00Z")));
}

fn wake(body: &str, utc: &str) -> Option<Span> {
    run_with(body, at(utc)).wake.map(|moment| moment - view().now)
}

#[test]
fn the_rule_is_woken_when_the_clock_changes_its_answer() {
    let night = "home.clock.between(\"00:30\", \"05:30\");";
    assert_eq!(wake(night, "2026-01-10T00:00:00Z"), Some(Span::minutes(30)));
    assert_eq!(wake(night, "2026-01-10T00:30:00Z"), Some(Span::hours(5)));
    assert_eq!(wake(night, "2026-01-10T05:30:00.250Z"), Some(Span(19 * 3_600_000 - 250)));
    assert_eq!(wake("home.clock.hour;", "2026-01-10T05:10:30Z"), Some(Span(49 * 60_000 + 30_000)));
    assert_eq!(wake("home.clock.minute;", "2026-01-10T05:10:30.500Z"), Some(Span(29_500)));
    assert_eq!(wake("home.clock.weekday;", "2026-01-10T22:00:00Z"), Some(Span::hours(2)));
    assert_eq!(
        wake("home.load(\"car\").energy_since(\"12:00\");", "2026-01-10T11:00:00Z"),
        Some(Span::hours(1))
    );
    // The earlier of two.
    let both = format!("home.clock.weekday; {night}");
    assert_eq!(wake(&both, "2026-01-10T23:00:00Z"), Some(Span::hours(1)));
    assert_eq!(wake("home.grid_w;", "2026-01-10T23:00:00Z"), None);
}

/// Walks a whole day in which the clocks change: the answer never changes but at a moment for which the rule asked.
#[test]
fn no_change_of_the_answer_is_missed() {
    for day in ["2026-03-28T23:00:00Z", "2026-10-24T22:00:00Z", "2026-06-01T22:00:00Z"] {
        for (start, end) in [
            ("00:30", "05:30"),
            ("01:15", "01:45"),
            ("22:00", "01:30"),
            ("01:00", "02:00"),
            ("00:45", "01:00"),
        ] {
            let body =
                format!("if home.clock.between(\"{start}\", \"{end}\") {{ home.load(\"car\").run(\"x\"); }}");
            let program = program(&rule(&body));
            let (mut asked_for, mut before) = (None::<Moment>, None);
            for minute in 0..26 * 60 {
                let now = Moment(minute * 60_000);
                let view = View { now, wall: Some(wall(day) + Span::minutes(minute)), ..view() };
                let run = program.run(0, &Arc::new(view), &Default::default());
                let (wake, inside) = (run.wake, !requests(run).is_empty());
                if before.is_some_and(|b| b != inside) {
                    assert_eq!(asked_for, Some(now), "{day} {start} to {end}, minute {minute}");
                }
                assert!(wake.is_some_and(|w| w > now));
                (asked_for, before) = (wake, Some(inside));
            }
        }
    }
}

#[test]
fn energy_since_noon_spans_the_change_of_the_clocks() {
    // 1 kWh an hour since long ago; noon to seven in the morning is 19 hours by the clock, 18 or 20 in truth.
    let marks = |from: &str| {
        let mark = |hour: i64| LoadMark {
            at: wall(from) + Span::hours(hour),
            energy_kwh: hour as f64,
            run_time: Span::hours(hour),
        };
        Arc::new(LoadLog { marks: (0..48).map(mark).collect() })
    };
    for (from, now, hours) in [
        ("2026-03-28T00:00:00Z", "2026-03-29T06:00:00Z", 18.0),
        ("2026-10-24T00:00:00Z", "2026-10-25T07:00:00Z", 20.0),
        ("2026-06-01T00:00:00Z", "2026-06-02T06:00:00Z", 19.0),
    ] {
        let mut view = at(now);
        let since = wall(now) - wall(from);
        view.loads[0].log = marks(from);
        view.loads[0].energy_kwh = since.as_hours();
        view.loads[0].run_time = since;
        assert_eq!(value_with("home.load(\"car\").energy_since(\"12:00\")", view.clone()), hours, "{now}");
        assert_eq!(value_with("home.load(\"car\").run_time_since(\"12:00\")", view), hours, "{now}");
    }
}

#[test]
fn times_that_are_none_are_refused() {
    let compiled = compile(&rule(
        "home.clock.between(\"0:30\", \"25:00\");\nhome.load(\"car\").energy_since(\"noon\");\nsustained(\"x\", true, \"two minutes\");",
    ));
    insta::assert_snapshot!(faults(&compiled), @r#"
    test.rhai, line 2, column 20: `0:30` is no time of day: write it with two digits each, such as "05:30" or "22:00"
        home.clock.between("0:30", "25:00");
                           ^
    test.rhai, line 2, column 28: `25:00` is no time of day: write it with two digits each, such as "05:30" or "22:00"
        home.clock.between("0:30", "25:00");
                                   ^
    test.rhai, line 3, column 31: `noon` is no time of day: write it with two digits each, such as "05:30" or "22:00"
        home.load("car").energy_since("noon");
                                      ^
    test.rhai, line 4, column 22: `two minutes` is no duration: write a number and a unit, such as "250ms", "30s", "5m", "2h" or "1h 30m"
        sustained("x", true, "two minutes");
                             ^
    "#);
    let run = run("let t = \"9:00\"; home.clock.between(t, \"10:00\");");
    assert!(told(&run).contains("is no time of day"), "{}", told(&run));
    assert!(
        told(&super::support::run("home.clock.between(\"10:00\", \"10:00\");")).contains("no time at all")
    );
}
