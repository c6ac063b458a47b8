//! Commands are leases: refreshed, recomputed after an outage, held back by an instance that only watches.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::time::Span;
use support::*;

const RUNS: &[(&str, &str)] = &[("car", r#"home.load("car").run("now");"#)];

fn commands(bench: &Bench) -> Vec<(i64, Command)> {
    let of = bench.outputs.iter().filter_map(|(t, o)| match o {
        Output::Command(c) => Some((t.0 / 1000, *c)),
        _ => None,
    });
    of.collect()
}

#[test]
fn a_command_is_refreshed_before_the_devices_own_time_out() {
    for (refresh, timeout) in [(30, Some(120)), (7, Some(15)), (30, None)] {
        let load =
            Load { refresh: Span::seconds(refresh), device_timeout: timeout.map(Span::seconds), ..car() };
        let mut bench = Bench::new(home(vec![load], false), RUNS);
        bench.power(500.0, 0.0);
        bench.hold(600, 500.0, 0.0);
        let sent = commands(&bench);
        let gaps = sent.windows(2).map(|w| w[1].0 - w[0].0);
        assert_eq!(gaps.max(), Some(refresh));
        assert!(sent.len() as i64 >= 600 / refresh);
        for (_, command) in &sent {
            let longest = timeout.map_or(2 * refresh, |t| t.min(2 * refresh));
            assert_eq!(command.valid_for, Span::seconds(longest));
        }
    }
}

#[test]
fn a_refresh_says_that_it_repeats_and_a_change_does_not() {
    let mut bench = Bench::new(home(vec![car()], false), RUNS);
    bench.power(500.0, 0.0);
    bench.hold(60, 500.0, 0.0);
    let told: Vec<(i64, f64, bool)> = commands(&bench).iter().map(|(t, c)| (*t, c.watts, c.repeat)).collect();
    assert_eq!(told, [(0, 0.0, false), (0, 7360.0, false), (30, 7360.0, true), (60, 7360.0, true)]);
}

#[test]
fn charge_points_get_whole_amps_too_and_others_none() {
    let set = [("c", r#"home.load("car").run_at_w(3000.0, "x");"#), ("w", r#"home.load("water").run("x");"#)];
    let mut bench = Bench::new(home(vec![car(), water()], false), &set);
    bench.power(500.0, 0.0);
    let of = |load: u16| commands(&bench).iter().rfind(|(_, c)| c.load == LoadId(load)).unwrap().1;
    assert_eq!((of(0).amps, of(0).watts), (Some(13.0), 2990.0));
    assert_eq!((of(1).amps, of(1).watts), (None, 3000.0));
}

#[test]
fn a_load_that_is_off_is_told_so_from_the_start_and_again() {
    let mut bench = Bench::new(home(vec![car()], false), &[]);
    bench.power(500.0, 0.0);
    bench.hold(60, 500.0, 0.0);
    assert_eq!(bench.sent(0), [(0, false, 0.0), (30, false, 0.0), (60, false, 0.0)]);
}

#[test]
fn after_an_outage_commands_are_recomputed_and_not_replayed() {
    let mut bench = asked(car(), false);
    bench.power(500.0, 0.0);
    bench.other(0, RUN);
    bench.after(5);
    bench.forget_outputs();
    // The rule changes its mind in the very stamp in which the way opens again.
    bench.inputs(vec![Input::Reconnected, Bench::other_reading(0, 2300.0)]);
    let sent = commands(&bench);
    assert_eq!(sent.len(), 1);
    assert_eq!((sent[0].1.watts, sent[0].1.repeat), (2300.0, false));
    bench.forget_outputs();
    bench.after(5);
    bench.input(Input::Reconnected);
    let sent = commands(&bench);
    assert_eq!((sent.len(), sent[0].1.watts), (1, 2300.0), "at once, not at the next refresh");
}

#[test]
fn only_one_value_per_load_is_ever_waiting() {
    let mut bench = asked(car(), false);
    bench.power(500.0, 0.0);
    bench.forget_outputs();
    bench.inputs([RUN, 2300.0, 1380.0].map(|ask| Bench::other_reading(0, ask)).to_vec());
    assert_eq!(bench.sent(0), [(0, true, 1380.0)]);
}

#[test]
fn the_second_instance_only_watches() {
    let mut bench = Bench::bare(home(vec![car()], false), overspill_rules::kept::Kept::default());
    bench.input(Input::Role(Role::Watch));
    bench.input(Input::ClockSet { offset_ms: START.0, believed: true });
    bench.input(Input::Rules(rules(RUNS)));
    bench.power(500.0, 0.0);
    bench.wish(wish(Want::On));
    bench.hold(300, 500.0, 0.0);
    assert!(commands(&bench).is_empty());
    assert_eq!(bench.limit(0), Some(Limit::Watching));
    bench.input(Input::Role(Role::Command));
    assert_eq!(commands(&bench).len(), 1, "off, since nobody can say when the other last switched it");
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::MinOff)));
    bench.hold(290, 500.0, 0.0);
    assert_eq!(bench.setpoint(0), 0.0);
    bench.hold(10, 500.0, 0.0);
    assert_eq!(bench.setpoint(0), 7360.0);
}

#[test]
fn an_instance_that_gives_up_its_role_sends_nothing_more() {
    let mut bench = Bench::new(home(vec![car()], false), RUNS);
    bench.power(500.0, 0.0);
    bench.forget_outputs();
    bench.input(Input::Role(Role::Watch));
    bench.hold(300, 500.0, 0.0);
    bench.input(Input::Stopping);
    assert!(commands(&bench).is_empty());
}

/// A metered heater that is told to be off and draws 2 kW all the same.
fn moved(on_move: OnMove) -> Bench {
    let load = Load { on_move, ..water() };
    let set = [("w", r#"if home.solar_w > 4000.0 { home.load("water").take_spare("spare"); }"#)];
    let mut bench = Bench::new(home(vec![load], true), &set);
    bench.inputs(vec![Bench::reading(2, 0.0), Bench::reading(1, 0.0), Bench::reading(0, 500.0)]);
    bench.hold_with(300, 10, |_| {
        vec![Bench::reading(2, 2000.0), Bench::reading(1, 0.0), Bench::reading(0, 2500.0)]
    });
    bench
}

#[test]
fn a_load_that_moves_without_being_told_is_seen_and_told() {
    let bench = moved(OnMove::Tell);
    assert_eq!(bench.told("moved").len(), 1);
    assert!(bench.told("moved")[0].contains("2000 W"));
    assert!(bench.sent(0).iter().all(|(_, on, _)| !on));
    assert!(bench.sent(0).len() >= 10, "its command goes on being refreshed");
}

#[test]
fn a_load_that_yields_is_left_alone_for_a_while() {
    let mut bench = moved(OnMove::Yield);
    assert_eq!(bench.limit(0), Some(Limit::Yielded));
    let last = bench.sent(0).last().unwrap().0;
    assert!(last < 200, "no more commands: {:?}", bench.sent(0));
    // Not even spare power makes it fight.
    bench.hold_with(600, 10, |_| {
        vec![Bench::reading(2, 2000.0), Bench::reading(1, 6000.0), Bench::reading(0, -3500.0)]
    });
    assert_eq!(bench.sent(0).last().unwrap().0, last);
    // After half an hour the rules decide again.
    bench.hold_with(1500, 10, |_| {
        vec![Bench::reading(2, 0.0), Bench::reading(1, 6000.0), Bench::reading(0, -5500.0)]
    });
    assert!(bench.switched(0).iter().any(|(_, on)| *on), "{:?}", bench.load(0));
}
