//! Power into energy: half hours of each flow, as they are kept.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span, WallTime};
use support::*;

const HALF_HOUR: i64 = 1_800_000;

fn near(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() < 1e-6, "{what}: {found}, not {wanted}");
}

/// Readings every ten seconds for as long as `grid` gives one, then the end of the program.
fn day(home: Home, seconds: i64, grid: impl Fn(i64) -> Option<(f64, f64)>) -> Bench {
    let mut bench = Bench::new(home, &[]);
    for second in (0..=seconds).step_by(10) {
        bench.to(Moment(second * 1000));
        if let Some((grid, solar)) = grid(second) {
            bench.power(grid, solar);
        }
    }
    bench.input(Input::Stopping);
    bench
}

fn total(bench: &Bench, flow: Flow) -> f64 {
    bench.rows(flow).iter().map(|r| r.kwh).sum()
}

#[test]
fn steady_power_makes_whole_half_hours_that_start_at_multiples_of_thirty_minutes() {
    let bench = day(home(vec![], false), 3600, |_| Some((1000.0, 500.0)));
    for (flow, each) in [(Flow::Import, 0.5), (Flow::Solar, 0.25), (Flow::House, 0.75)] {
        let rows = bench.rows(flow);
        assert_eq!(rows.len(), 2, "{flow:?}");
        for (n, row) in rows.iter().enumerate() {
            assert_eq!(row.start, WallTime(START.0 + n as i64 * HALF_HOUR));
            assert_eq!(row.start.0 % HALF_HOUR, 0);
            near(row.kwh, each, "energy");
            near(row.covered_s, 1800.0, "coverage");
            assert!(!row.provisional);
        }
    }
    near(total(&bench, Flow::Export), 0.0, "export");
}

#[test]
fn import_and_export_are_split_per_sample_and_never_netted() {
    let swing = |second: i64| Some((if (second / 10) % 2 == 0 { 1000.0 } else { -1000.0 }, 1500.0));
    let bench = day(home(vec![], false), 1800, swing);
    near(total(&bench, Flow::Import), 0.25, "import");
    near(total(&bench, Flow::Export), 0.25, "export");
}

#[test]
fn charge_and_discharge_are_flows_of_their_own() {
    let mut one = home(vec![], false);
    one.points.push(point("battery", Measures::Battery, Positive::Discharge));
    let mut bench = Bench::new(one, &[]);
    for n in 0..=180 {
        bench.to(Moment(n * 10_000));
        let watts = if n % 2 == 0 { 2000.0 } else { -600.0 };
        bench.inputs(vec![Bench::reading(2, watts), Bench::reading(1, 0.0), Bench::reading(0, 0.0)]);
    }
    bench.input(Input::Stopping);
    near(total(&bench, Flow::Discharge), 0.5, "discharge");
    near(total(&bench, Flow::Charge), 0.15, "charge");
}

#[test]
fn a_sample_stands_until_the_next() {
    let bench =
        day(home(vec![], false), 60, |s| (s % 20 == 0).then_some((if s == 0 { 900.0 } else { 0.0 }, 0.0)));
    near(total(&bench, Flow::Import), 900.0 * 20.0 / 3.6e6, "import");
}

#[test]
fn an_interval_longer_than_the_gap_counts_for_nothing_as_a_whole() {
    // 2.5 times ten seconds is less than `stale_after`, so the gap begins beyond 30 s.
    for (pause, counted) in [(30, 1800.0), (40, 1760.0), (600, 1200.0)] {
        let bench =
            day(home(vec![], false), 1800, |s| (s <= 600 || s >= 600 + pause).then_some((1000.0, 0.0)));
        let rows = bench.rows(Flow::Import);
        near(rows[0].covered_s, counted, "coverage");
        near(rows[0].kwh, counted / 3600.0, "energy");
    }
}

#[test]
fn gap_after_can_be_said() {
    let mut one = home(vec![], false);
    one.points[0].gap_after = Some(Span::minutes(20));
    let bench = day(one, 1800, |s| (s <= 600 || s >= 1200).then_some((1000.0, 0.0)));
    near(total(&bench, Flow::Import), 0.5, "import");
}

fn registers(kinds: &[ExtraKind]) -> Vec<Extra> {
    kinds.iter().map(|kind| Extra { kind: *kind, scale: 1.0 }).collect()
}

fn extra(point: u16, kind: ExtraKind, value: f64) -> Input {
    Input::Reading(Reading {
        point: PointId(point),
        extra: Some(kind),
        value,
        device_time: None,
        retained: false,
    })
}

#[test]
fn a_register_beats_integration() {
    let mut one = home(vec![car()], true);
    one.points[0].extras = registers(&[ExtraKind::ImportKwh, ExtraKind::ExportKwh]);
    one.points[1].extras = registers(&[ExtraKind::ImportKwh]);
    one.points[2].extras = registers(&[ExtraKind::ImportKwh]);
    let mut bench = Bench::new(one, &[]);
    for n in 0..=180 {
        bench.to(Moment(n * 10_000));
        let share = n as f64 / 180.0;
        // The power says 1 kW all along; the registers know better.
        bench.inputs(vec![
            extra(0, ExtraKind::ImportKwh, 700.0 + 0.8 * share),
            extra(0, ExtraKind::ExportKwh, 30.0 + 0.3 * share),
            extra(1, ExtraKind::ImportKwh, 5.0 + 0.9 * share),
            extra(2, ExtraKind::ImportKwh, 1.0 + 0.2 * share),
            Bench::reading(2, 1000.0),
            Bench::reading(1, 1000.0),
            Bench::reading(0, 1000.0),
        ]);
    }
    bench.input(Input::Stopping);
    near(total(&bench, Flow::Import), 0.8, "import");
    near(total(&bench, Flow::Export), 0.3, "export");
    near(total(&bench, Flow::Solar), 0.9, "solar");
    near(total(&bench, Flow::Load(LoadId(0))), 0.2, "the car");
}

#[test]
fn a_register_counts_through_a_gap() {
    let mut one = home(vec![], false);
    one.points[1].unit = Unit::Kwh;
    let mut bench = Bench::new(one, &[]);
    for (second, kwh) in [(0, 10.0), (10, 10.01), (1200, 11.0)] {
        bench.to(Moment(second * 1000));
        bench.report(1, kwh);
    }
    bench.input(Input::Stopping);
    near(total(&bench, Flow::Solar), 1.0, "solar");
}

#[test]
fn pulses_are_counted_one_by_one() {
    let mut one = home(vec![], false);
    one.points[1].unit = Unit::Pulses { per_kwh: 1000.0 };
    let mut bench = Bench::new(one, &[]);
    for n in 0..=100 {
        bench.to(Moment(n * 17_000));
        bench.report(1, 1.0);
    }
    bench.input(Input::Stopping);
    near(total(&bench, Flow::Solar), 0.1, "solar");
}

#[test]
fn what_an_unmetered_load_takes_is_estimated() {
    let mut world = World::new(
        Bench::new(home(vec![water()], false), &[("w", r#"home.load("water").run("now");"#)]),
        0.0,
        500.0,
    );
    world.run(3600);
    world.bench.input(Input::Stopping);
    let kwh = total(&world.bench, Flow::Load(LoadId(0)));
    assert!((2.8..=3.0).contains(&kwh), "{kwh}");
}

/// In October 2026 the clocks of London go back from 2:00 to 1:00 at 01:00 UTC; in March they go forward at 01:00 UTC.
#[test]
fn a_change_of_the_clocks_neither_doubles_nor_loses_a_half_hour() {
    for midnight in [1_792_886_400_000_i64, 1_774_742_400_000] {
        let mut bench = Bench::bare(home(vec![], false), Kept::default());
        bench.input(Input::ClockSet { offset_ms: midnight, believed: true });
        for n in 0..=(4 * 360) {
            bench.to(Moment(n * 10_000));
            bench.power(1000.0, 0.0);
        }
        bench.input(Input::Stopping);
        let rows = bench.rows(Flow::Import);
        let starts: Vec<i64> = rows.iter().map(|r| (r.start.0 - midnight) / HALF_HOUR).collect();
        assert_eq!(starts, (0..8).collect::<Vec<_>>());
        rows.iter().for_each(|r| near(r.kwh, 0.5, "energy"));
    }
}

#[test]
fn rows_are_provisional_while_the_wall_clock_is_not_believed() {
    let mut bench = Bench::bare(home(vec![], false), Kept::default());
    bench.input(Input::ClockSet { offset_ms: START.0, believed: false });
    for n in 0..=200 {
        bench.to(Moment(n * 10_000));
        bench.power(1000.0, 0.0);
    }
    let rows = bench.rows(Flow::Import);
    assert_eq!(rows.len(), 1);
    assert!(rows[0].provisional);
}

#[test]
fn a_step_of_the_wall_clock_closes_what_was_begun_on_the_old_one() {
    let mut bench = Bench::bare(home(vec![], false), Kept::default());
    bench.input(Input::ClockSet { offset_ms: 0, believed: false });
    for n in 0..=60 {
        bench.to(Moment(n * 10_000));
        bench.power(1000.0, 0.0);
    }
    bench.input(Input::ClockSet { offset_ms: START.0, believed: true });
    for n in 61..=120 {
        bench.to(Moment(n * 10_000));
        bench.power(1000.0, 0.0);
    }
    bench.input(Input::Stopping);
    let rows = bench.rows(Flow::Import);
    assert_eq!(
        rows.iter().map(|r| (r.start.0, r.provisional)).collect::<Vec<_>>(),
        [(0, true), (START.0, false)]
    );
    near(rows.iter().map(|r| r.kwh).sum(), 1.2 / 3.6, "nothing is lost");
}

#[test]
fn the_end_of_the_program_closes_the_running_half_hour() {
    let bench = day(home(vec![], false), 600, |_| Some((1200.0, 0.0)));
    let rows = bench.rows(Flow::Import);
    assert_eq!(rows.len(), 1);
    near(rows[0].kwh, 0.2, "energy");
    near(rows[0].covered_s, 600.0, "coverage");
}

#[test]
fn rules_can_ask_what_a_load_got_since_a_time_of_day_even_after_a_restart() {
    let set = [(
        "w",
        r#"let it = home.load("water"); if it.energy_since("10:00") < 1.0 { it.run("one kilowatt-hour"); }"#,
    )];
    let one = home(vec![water()], true);
    let feed = |bench: &mut Bench, seconds: i64| {
        for _ in 0..(seconds / 10) {
            bench.after(10);
            let drawn = bench.setpoint(0);
            bench.inputs(vec![
                Bench::reading(2, drawn),
                Bench::reading(1, 0.0),
                Bench::reading(0, 500.0 + drawn),
            ]);
        }
    };
    let mut bench = Bench::new(one.clone(), &set);
    bench.power(500.0, 0.0);
    feed(&mut bench, 600);
    assert_eq!(bench.setpoint(0), 3000.0);
    let kept = bench.controller.kept();
    let before = total_marks(&bench);
    assert!(before > 0.4, "{before}");
    let mut bench = restarted(one, kept, &set, START + Span::seconds(610));
    bench.power(500.0, 0.0);
    feed(&mut bench, 1200);
    let off = bench.commands(0).into_iter().rfind(|(_, w)| *w == 0.0).unwrap().0;
    // Half a kilowatt-hour was there; the rest takes some ten minutes after the rest of `min_off`.
    assert!((800..=1000).contains(&off), "{:?}", bench.commands(0));
}

fn total_marks(bench: &Bench) -> f64 {
    let kept = bench.controller.kept();
    kept.logs["water"].marks.last().map_or(0.0, |m| m.energy_kwh)
}

/// Two arrays make one flow, and each is told by itself, its standby apart from what it makes.
#[test]
fn meters_that_share_a_role_are_told_apart() {
    let mut one = home(vec![], false);
    one.points[1].id = "roof-east".into();
    one.points.push(Point { id: "roof-west".into(), ..one.points[1].clone() });
    let mut bench = Bench::new(one, &[]);
    bench.hold_with(3600, 10, |_| {
        vec![Bench::reading(1, 1000.0), Bench::reading(2, -50.0), Bench::reading(0, 200.0)]
    });
    bench.input(Input::Stopping);
    let kwh = |flow: Flow| bench.rows(flow).iter().map(|r| r.kwh).sum::<f64>();
    let (east, west) = (PointId(1), PointId(2));
    let close = |found: f64, wanted: f64| assert!((found - wanted).abs() < 0.01, "{found}, not {wanted}");
    close(kwh(Flow::Solar), 0.95);
    close(kwh(Flow::MeterIn(east)), 1.0);
    close(kwh(Flow::MeterOut(east)), 0.0);
    close(kwh(Flow::MeterIn(west)), 0.0);
    close(kwh(Flow::MeterOut(west)), 0.05);
    assert!(bench.rows(Flow::MeterIn(PointId(0))).is_empty(), "a meter alone in its role is the role's flow");
}

/// 2,000 W bought on one phase while 1,500 and 800 W go out on the others: a meter that nets counts 300 W sent out, one
/// that does not counts 2,000 W bought and 2,300 W sent out (computed; which of both is a matter of the country's meters).
#[test]
fn import_and_export_follow_how_the_meter_nets_three_phases() {
    for (netting, bought, sent_out) in [(Netting::Sum, 0.0, 300.0), (Netting::Phase, 2000.0, 2300.0)] {
        let mut bench = Bench::new(support::three_phase_home(vec![], netting), &[]);
        for n in 0..=180 {
            bench.to(Moment(n * 10_000));
            let mut inputs: Vec<Input> = (3..6).map(|point| Bench::reading(point, 1000.0)).collect();
            inputs.extend([2000.0, -1500.0, -800.0].iter().zip(0..).map(|(w, p)| Bench::reading(p, *w)));
            bench.inputs(inputs);
        }
        let balance = bench.balance().total;
        assert_eq!((balance.grid_w, balance.import_w), (Some(-300.0), Some(bought)), "{netting:?}");
        assert_eq!(balance.export_w, Some(sent_out), "{netting:?}");
        bench.input(Input::Stopping);
        near(total(&bench, Flow::Import), bought / 2000.0, "import");
        near(total(&bench, Flow::Export), sent_out / 2000.0, "export");
        near(total(&bench, Flow::House), (3000.0 - 300.0) / 2000.0, "the house does not depend on it");
    }
}
