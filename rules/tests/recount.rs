//! A recount of what was recorded gives what the controller counted.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use std::sync::Arc;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::recount::Recount;
use overspill_rules::time::{Moment, WallTime};
use proptest::prelude::*;
use support::*;

/// Grid, solar, battery and one load's meter; the house is derived.
fn measured_home() -> Home {
    let mut home = home(vec![water()], true);
    home.points.push(point("battery", Measures::Battery, Positive::Charge));
    home
}

fn reading(point: u16, value: f64) -> Reading {
    Reading { point: PointId(point), extra: None, value, device_time: None, retained: false }
}

#[derive(Debug, Clone)]
struct Heard {
    after_ms: i64,
    point: u16,
    value: f64,
}

fn heard() -> impl Strategy<Value = Vec<Heard>> {
    let after = prop_oneof![3 => Just(0i64), 10 => 1_000i64..12_000, 1 => 40_000i64..4_000_000];
    let one = (after, 0u16..4, -9_000.0..9_000.0f64).prop_map(|(after_ms, point, value)| Heard {
        after_ms: after_ms / 100 * 100,
        point,
        value,
    });
    prop::collection::vec(one, 1..120)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 128, ..ProptestConfig::default() })]

    #[test]
    fn a_recount_gives_the_same_rows_as_the_controller(heard in heard()) {
        let mut bench = Bench::new(measured_home(), &[]);
        let mut recount = Recount::new(Arc::new(measured_home()), START.0);
        let mut now = Moment(0);
        let mut again = Vec::new();
        for one in &heard {
            now = Moment(now.0 + one.after_ms);
            bench.to(now);
            bench.input(Input::Reading(reading(one.point, one.value)));
            recount.take(now, &reading(one.point, one.value));
            again.extend(recount.rows());
        }
        bench.input(Input::Stopping);
        again.extend(recount.close());
        let flows = [
            Flow::Import, Flow::Export, Flow::Solar, Flow::House, Flow::Charge, Flow::Discharge,
            Flow::Load(LoadId(0)),
        ];
        for flow in flows {
            let counted: Vec<EnergyRow> = again.iter().filter(|r| r.flow == flow).copied().collect();
            prop_assert_eq!(bench.rows(flow), counted, "{:?}", flow);
        }
    }
}

#[test]
fn a_value_that_ends_does_not_stand_until_the_next() {
    let mut home = home(vec![], false);
    home.points[0].interval = None;
    home.points[0].gap_after = Some(overspill_rules::time::Span::hours(1));
    let mut recount = Recount::new(Arc::new(home), START.0);
    let minute = |n: i64| Moment(n * 60_000);
    recount.take(minute(0), &reading(0, 6_000.0));
    recount.take(minute(1), &reading(0, 6_000.0));
    recount.ends(PointId(0));
    recount.take(minute(5), &reading(0, 6_000.0));
    recount.take(minute(6), &reading(0, 0.0));
    let row = recount.close().into_iter().find(|r| r.flow == Flow::Import).unwrap();
    assert_eq!((row.start, row.covered_s), (START, 120.0));
    assert!((row.kwh - 0.2).abs() < 1e-12);
}

#[test]
fn a_power_comes_with_its_own_time_and_a_refused_one_not_at_all() {
    let mut home = home(vec![], false);
    home.points[0].lag = overspill_rules::time::Span::seconds(2);
    let mut recount = Recount::new(Arc::new(home), START.0);
    let taken = recount.take(Moment(10_000), &reading(0, 250.0));
    assert_eq!(taken, Some((WallTime(START.0 + 8_000), 250.0)));
    assert_eq!(recount.take(Moment(20_000), &reading(0, 1e9)), None);
    assert_eq!(recount.take(Moment(20_000), &reading(77, 1.0)), None);
}

#[test]
fn what_has_ended_does_not_stand_again_when_another_point_reports() {
    let mut home = measured_home();
    home.points.iter_mut().for_each(|p| p.gap_after = Some(overspill_rules::time::Span::hours(1000)));
    let mut recount = Recount::new(Arc::new(home), START.0);
    let hour = |n: i64| Moment(n * 3_600_000);
    for n in [0, 1, 50, 51] {
        // The grid first: it must not bring back what the roof gave before the gap.
        recount.take(hour(n), &reading(0, 1000.0));
        recount.take(hour(n), &reading(1, 2000.0));
        if n == 1 {
            recount.ends(PointId(0));
            recount.ends(PointId(1));
        }
    }
    let rows = recount.close();
    let hours =
        |flow: Flow| rows.iter().filter(|r| r.flow == flow).map(|r| r.covered_s).sum::<f64>() / 3600.0;
    assert_eq!([hours(Flow::Import), hours(Flow::Solar)], [2.0, 2.0]);
}
