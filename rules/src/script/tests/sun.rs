//! The sun as rules read it.

use super::support::*;
use crate::script::View;
use crate::time::{Moment, Span};

fn at(utc: &str) -> View {
    View { wall: Some(wall(utc)), ..view() }
}

#[test]
fn a_rule_reads_where_it_stands() {
    // Midsummer noon in London: 90 - 51.5 + 23.4 degrees, south (from the latitude and the obliquity of the ecliptic).
    let noon = at("2026-06-21T12:02:00Z");
    assert!((value_with("home.sun.elevation", noon.clone()) - 61.9).abs() < 0.2);
    assert!((value_with("home.sun.azimuth", noon.clone()) - 180.0).abs() < 2.0);
    assert!(holds_with("home.sun.is_up", noon));
    assert!(holds_with("!home.sun.is_up && home.sun.elevation < -10.0", at("2026-06-21T00:00:00Z")));
}

#[test]
fn rise_and_set_are_times_of_the_household_clock_on_both_sides_of_a_change() {
    // The clocks go forward on 29 March 2026 and back on 25 October: the sun does not.
    for (date, rises, sets) in [
        ("2026-03-28T12:00:00Z", "05:44", "18:25"),
        ("2026-03-29T12:00:00Z", "06:42", "19:26"),
        ("2026-10-24T11:00:00Z", "07:39", "17:50"),
        ("2026-10-25T12:00:00Z", "06:41", "16:48"),
    ] {
        let near = |word: &str, wanted: &str| {
            let expression = format!("home.sun.{word}");
            let found = text_with(&expression, at(date));
            let minutes = |t: &str| t[..2].parse::<i32>().unwrap() * 60 + t[3..].parse::<i32>().unwrap();
            assert!((minutes(&found) - minutes(wanted)).abs() <= 2, "{date} {word}: {found}, not {wanted}");
        };
        near("rises", rises);
        near("sets", sets);
    }
}

#[test]
fn its_times_go_where_times_go() {
    assert!(holds_with("home.clock.between(home.sun.sets, \"23:59\")", at("2026-06-21T21:00:00Z")));
    assert!(!holds_with("home.clock.between(home.sun.sets, \"23:59\")", at("2026-06-21T19:00:00Z")));
}

#[test]
fn it_waits_where_nothing_is_known_and_fails_without_a_place() {
    let unset = View { wall: None, ..view() };
    assert_eq!(told(&run_with("home.sun.rises;", unset)), "waiting: the clock is not set yet");
    let rule = rule("if home.sun.is_up { home.load(\"car\").run(\"day\"); }");
    let mut nowhere = home();
    nowhere.coordinates = None;
    let program = crate::script::Program::compile(&nowhere, &set(&rule, &[])).program;
    let run = program.run(0, &std::sync::Arc::new(view()), &crate::script::RuleMemory::default());
    assert!(told(&run).contains("`latitude` and `longitude`"), "{}", told(&run));
}

#[test]
fn a_rule_that_looks_at_it_is_woken() {
    let run = run_with("home.sun.elevation;", view());
    assert_eq!(run.wake, Some(Moment(1_000_000) + Span::minutes(1)));
}
