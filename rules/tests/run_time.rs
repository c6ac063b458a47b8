//! How long a load has run, as rules read it: it grows with the time, whatever comes in meanwhile.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::LoadId;
use overspill_rules::input::Input;
use overspill_rules::kept::Kept;
use overspill_rules::output::{Output, Record};
use overspill_rules::time::{Span, WallTime};
use support::*;

/// The pump runs for half an hour a day.
const HALF_AN_HOUR: &str = r#"let pump = home.load("pump");
    if pump.run_time_since("00:00") < 0.5 { pump.run("its half hour"); } else { pump.stop("done"); }"#;

/// Seconds from its first start to its last stop.
fn ran(bench: &Bench) -> i64 {
    let commands = bench.commands(0);
    let at = |on: bool| commands.iter().filter(move |(_, watts)| (*watts > 0.0) == on).map(|(at, _)| *at);
    let first = at(true).next().expect("a start");
    at(false).rfind(|stop| *stop > first).expect("a stop") - first
}

#[test]
fn a_load_runs_for_as_long_as_its_rule_counts() {
    for (metered, every) in [(false, 10), (true, 10), (false, 1), (false, 25)] {
        let mut bench = Bench::new(home(vec![pump()], metered), &[("pump", HALF_AN_HOUR)]);
        bench.hold_with(3600, every, |_| {
            let own = metered.then(|| Bench::reading(2, 1000.0));
            own.into_iter().chain([Bench::reading(1, 0.0), Bench::reading(0, 1500.0)]).collect()
        });
        // A decision comes at least every 10 s.
        assert!(
            (1800..=1810).contains(&ran(&bench)),
            "metered {metered}, every {every} s: {} s",
            ran(&bench)
        );
    }
}

#[test]
fn pauses_do_not_count() {
    let rule = r#"let pump = home.load("pump");
        if home.clock.minute % 20 < 10 && pump.run_time_since("00:00") < 0.6 { pump.run("on and off"); }"#;
    let mut bench = Bench::new(home(vec![pump()], false), &[("pump", rule)]);
    bench.hold(2 * 3600, 1500.0, 0.0);
    let commands = bench.commands(0);
    let on: i64 = commands.windows(2).filter(|w| w[0].1 > 0.0).map(|w| w[1].0 - w[0].0).sum();
    assert!((2160..=2170).contains(&on), "{on} s in {commands:?}");
}

#[test]
fn marks_of_the_log_carry_it_over_a_restart() {
    let mut bench = Bench::new(home(vec![pump()], false), &[("pump", HALF_AN_HOUR)]);
    bench.hold(20 * 60, 1500.0, 0.0);
    let mut marks = bench.outputs.iter().filter_map(|(_, output)| match output {
        Output::Record(Record::LoadMark { load: LoadId(0), mark }) => Some(*mark),
        _ => None,
    });
    let last = marks.next_back().expect("a mark");
    let began = START.0 + bench.commands(0)[0].0 * 1000;
    assert!((Span(last.at.0 - began) - last.run_time).0.abs() <= 10_000, "{last:?}");

    bench.input(Input::Stopping);
    let kept: Kept = bench.controller.kept();
    let again = WallTime(START.0 + bench.now.0 + 60_000);
    let mut bench = restarted(home(vec![pump()], false), kept, &[("pump", HALF_AN_HOUR)], again);
    bench.hold(3600, 1500.0, 0.0);
    // It rests for five minutes first, and what came after the last mark, five minutes at most, counts again.
    assert!((600..=915).contains(&ran(&bench)), "{} s", ran(&bench));
}
