//! Notices that rules give: once until changed, and never a flood.
#![allow(missing_docs, clippy::unwrap_used)]

mod support;

use support::{Bench, ask_input, home, pump};

/// A home whose rule says what the input `ask` makes it say.
fn bench(rule: &str) -> Bench {
    let mut home = home(vec![pump()], false);
    home.inputs.push(ask_input("ask"));
    let mut bench = Bench::new(home, &[("warn", rule)]);
    bench.other(0, 0.0);
    bench.power(500.0, 0.0);
    bench
}

const COLD: &str = r#"if home.input("ask") > 0 { home.tell("the tank is cold"); }"#;

#[test]
fn the_same_is_told_once_for_as_long_as_it_is_said() {
    let mut bench = bench(COLD);
    assert!(bench.told("rule_tells").is_empty());
    bench.other(0, 1.0);
    bench.hold(5 * 3600, 500.0, 0.0);
    assert_eq!(bench.told("rule_tells"), ["the tank is cold"]);
}

#[test]
fn said_again_after_a_pause_it_is_heard_once_an_hour() {
    let mut bench = bench(COLD);
    for _ in 0..12 {
        bench.other(0, 1.0);
        bench.hold(600, 500.0, 0.0);
        bench.other(0, 0.0);
        bench.hold(600, 500.0, 0.0);
    }
    assert_eq!(bench.told("rule_tells").len(), 4, "four hours");
}

#[test]
fn a_number_that_changes_does_not_flood() {
    let mut bench = bench(r#"home.tell(`the grid is at ${home.grid_w} W`);"#);
    for watt in 0..350 {
        bench.after(10);
        bench.power(f64::from(watt), 0.0);
    }
    assert!(bench.told("rule_tells").len() <= 6, "{}", bench.told("rule_tells").len());
}

#[test]
fn a_rule_that_waits_has_not_stopped_saying_it() {
    let mut bench = bench(r#"home.grid_w; home.tell("the house is awake");"#);
    bench.hold(60, 500.0, 0.0);
    // The grid falls silent for longer than an hour: the rule waits, and goes on where it was.
    bench.after(2 * 3600);
    bench.power(500.0, 0.0);
    bench.hold(60, 500.0, 0.0);
    assert_eq!(bench.told("rule_tells").len(), 1);
}
