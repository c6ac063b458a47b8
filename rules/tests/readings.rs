//! Points and readings: signs, units, ages, and what is refused.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span, WallTime};
use support::*;

/// A home that measures only what is given.
fn measuring(points: Vec<Point>) -> Home {
    Home { points, ..home(vec![], false) }
}

fn grid() -> Point {
    point("grid", Measures::Grid(Side::Both), Positive::Import)
}

fn solar() -> Point {
    point("solar", Measures::Solar, Positive::Generation)
}

fn near(found: Option<f64>, wanted: f64, what: &str) {
    let found = found.unwrap_or(f64::NAN);
    assert!((found - wanted).abs() < 1e-6, "{what}: {found}, not {wanted}");
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

fn dated(point: u16, value: f64, device_time: Option<WallTime>, retained: bool) -> Input {
    Input::Reading(Reading { point: PointId(point), extra: None, value, device_time, retained })
}

#[test]
fn power_into_the_house_is_positive_whatever_the_device_calls_positive() {
    use Positive::*;
    let rows: [(Measures, Positive, f64); 7] = [
        (Measures::Grid(Side::Both), Import, 700.0),
        (Measures::Grid(Side::Both), Export, -700.0),
        (Measures::Solar, Generation, 700.0),
        (Measures::Solar, Use, 700.0),
        (Measures::Battery, Discharge, 700.0),
        (Measures::Battery, Charge, -700.0),
        (Measures::House, Use, 700.0),
    ];
    for (measures, positive, wanted) in rows {
        let mut bench = Bench::new(measuring(vec![point("one", measures, positive)]), &[]);
        bench.report(0, 700.0);
        let total = bench.balance().total;
        let found = match measures {
            Measures::Grid(_) => total.grid_w,
            Measures::Solar => total.solar_w,
            Measures::Battery => total.battery_w,
            _ => total.house_w,
        };
        assert_eq!(found, Some(wanted), "{measures:?} {positive:?}");
    }
}

#[test]
fn the_grid_is_import_above_zero_and_export_below() {
    let mut bench = Bench::new(measuring(vec![grid()]), &[]);
    for (grid, import, export) in [(900.0, 900.0, 0.0), (-400.0, 0.0, 400.0), (0.0, 0.0, 0.0)] {
        bench.report(0, grid);
        let total = bench.balance().total;
        assert_eq!((total.import_w, total.export_w), (Some(import), Some(export)));
        bench.after(1);
    }
}

#[test]
fn small_negative_values_of_a_roof_at_night_are_kept() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    bench.power(500.0, -4.0);
    assert_eq!(bench.balance().total.solar_w, Some(-4.0));
    assert_eq!(bench.balance().total.house_w, Some(496.0));
}

#[test]
fn each_unit_becomes_watts() {
    let pulses = |per_kwh| Unit::Pulses { per_kwh };
    // Unit, scale, then numbers with their seconds, then watts at the last one.
    #[expect(clippy::type_complexity, reason = "a table reads best in one piece")]
    let rows: [(Unit, f64, &[(i64, f64)], f64); 9] = [
        (Unit::W, 1.0, &[(0, 1500.0)], 1500.0),
        (Unit::W, 0.1, &[(0, 1500.0)], 150.0),
        (Unit::Kw, 1.0, &[(0, 1.5)], 1500.0),
        (Unit::A, 1.0, &[(0, 10.0)], 2300.0),
        (Unit::Wh, 1.0, &[(0, 5000.0), (10, 5010.0)], 3600.0),
        (Unit::Kwh, 1.0, &[(0, 5.0), (10, 5.01)], 3600.0),
        (pulses(1000.0), 1.0, &[(0, 1.0), (9, 1.0)], 400.0),
        (pulses(800.0), 1.0, &[(0, 3.0), (9, 2.0)], 1000.0),
        (Unit::PulseCount { per_kwh: 1000.0 }, 1.0, &[(0, 70.0), (9, 71.0), (18, 73.0)], 800.0),
    ];
    for (unit, scale, numbers, wanted) in rows {
        let mut bench = Bench::new(measuring(vec![Point { unit, scale, ..solar() }]), &[]);
        for (second, number) in numbers {
            bench.to(Moment(second * 1000));
            bench.report(0, *number);
        }
        near(bench.balance().total.solar_w, wanted, &format!("{unit:?}"));
    }
}

#[test]
fn amps_use_the_measured_volts_and_power_factor_while_they_are_fresh() {
    let extras = [ExtraKind::Volts, ExtraKind::PowerFactor].map(|kind| Extra { kind, scale: 1.0 }).to_vec();
    let amps = Point { unit: Unit::A, extras, power_factor: 0.95, ..solar() };
    let mut bench = Bench::new(measuring(vec![amps]), &[]);
    bench.report(0, 10.0);
    near(bench.balance().total.solar_w, 10.0 * 230.0 * 0.95, "nominal");
    bench.inputs(vec![
        extra(0, ExtraKind::Volts, 240.0),
        extra(0, ExtraKind::PowerFactor, 0.9),
        Bench::reading(0, 10.0),
    ]);
    near(bench.balance().total.solar_w, 10.0 * 240.0 * 0.9, "measured");
    bench.after(30);
    bench.report(0, 10.0);
    near(bench.balance().total.solar_w, 10.0 * 230.0 * 0.95, "stale volts");
}

#[test]
fn a_register_that_steps_back_starts_afresh_and_invents_no_power() {
    let mut bench = Bench::new(measuring(vec![Point { unit: Unit::Kwh, plausible: None, ..solar() }]), &[]);
    for (second, kwh) in [(0, 100.0), (10, 100.01), (20, 0.0), (30, 0.01)] {
        bench.to(Moment(second * 1000));
        bench.report(0, kwh);
        let watts = bench.balance().total.solar_w.unwrap_or(0.0);
        assert!((0.0..=3600.1).contains(&watts), "{watts}");
    }
}

#[test]
fn two_positive_sides_make_one_signed_grid() {
    let sides = vec![
        point("in", Measures::Grid(Side::Import), Positive::Import),
        point("out", Measures::Grid(Side::Export), Positive::Import),
    ];
    let mut bench = Bench::new(measuring(sides), &[]);
    for (import, export, grid) in [(300.0, 0.0, 300.0), (0.0, 1200.0, -1200.0)] {
        bench.inputs(vec![Bench::reading(0, import), Bench::reading(1, export)]);
        assert_eq!(bench.balance().total.grid_w, Some(grid));
        bench.after(5);
    }
}

#[test]
fn a_source_that_counts_import_only_tells_no_spare_power() {
    let mut one = home(vec![water()], false);
    one.points[0].measures = Measures::Grid(Side::Import);
    let mut bench = Bench::new(one, &[("w", r#"home.load("water").take_spare("spare");"#)]);
    bench.power(0.0, 4000.0);
    bench.hold(300, 0.0, 4000.0);
    assert_eq!(bench.balance().total.spare_w, None);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Stale)));
    assert!(bench.load(0).reason.contains("export"), "{}", bench.load(0).reason);
}

#[test]
fn the_own_time_of_a_reading_is_its_arrival_less_its_lag() {
    let mut bench = Bench::new(measuring(vec![Point { lag: Span::seconds(7), ..grid() }]), &[]);
    bench.to(Moment(20_000));
    bench.report(0, 500.0);
    assert_eq!(bench.balance().at, Some(START + Span::seconds(13)));
}

#[test]
fn a_reading_is_fresh_until_stale_after_from_its_own_time_and_not_a_moment_longer() {
    for lag in [0, 7] {
        let mut one = home(vec![car()], false);
        one.points.iter_mut().for_each(|p| p.lag = Span::seconds(lag));
        let mut bench = Bench::new(one, &[("car", r#"home.load("car").run("now");"#)]);
        bench.power(500.0, 0.0);
        bench.to(Moment((30 - lag) * 1000 - 1));
        assert_eq!(bench.setpoint(0), 7360.0, "lag {lag}");
        bench.to(Moment((30 - lag) * 1000));
        assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Stale)), "lag {lag}");
        assert_eq!(bench.told("stale").len(), 1);
    }
}

#[test]
fn an_unknown_value_is_null_and_never_zero() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    bench.report(0, 500.0);
    let text = serde_json::to_value(bench.balance()).unwrap();
    for name in ["solar_w", "battery_w", "house_w", "base_w"] {
        assert!(text[name].is_null(), "{name} in {text}");
    }
    assert_eq!(text["grid_w"], 500.0);
}

#[test]
fn a_retained_message_counts_only_with_its_own_time() {
    let mut bench = Bench::new(measuring(vec![grid()]), &[]);
    bench.to(Moment(60_000));
    bench.input(dated(0, 500.0, None, true));
    assert_eq!(bench.balance().total.grid_w, None);
    bench.input(dated(0, 600.0, Some(START + Span::seconds(50)), true));
    let balance = bench.balance();
    assert_eq!((balance.total.grid_w, balance.at), (Some(600.0), Some(START + Span::seconds(50))));
    // One whose own time is hours away is of unknown age again.
    bench.input(dated(0, 700.0, Some(START + Span::hours(-3)), true));
    assert_eq!(bench.balance().total.grid_w, Some(600.0));
}

#[test]
fn a_retained_message_of_a_stale_age_is_stale_from_the_start() {
    let mut bench = Bench::new(measuring(vec![grid()]), &[]);
    bench.to(Moment(100_000));
    bench.input(dated(0, 600.0, Some(START + Span::seconds(60)), true));
    assert_eq!(bench.balance().total.grid_w, None);
}

#[test]
fn the_devices_own_time_counts_within_five_minutes_of_arrival() {
    let five = 300;
    for (age, own_age) in [(0, 0), (4, 4), (five, five), (five + 1, 0), (-five, 0), (-five - 1, 0)] {
        let slow = Point { stale_after: Span::minutes(20), ..grid() };
        let mut bench = Bench::new(measuring(vec![slow]), &[]);
        bench.to(Moment(1_000_000));
        let device = START + Span::seconds(1000 - age);
        bench.input(dated(0, 600.0, Some(device), false));
        let at = bench.balance().at;
        assert_eq!(at, Some(START + Span::seconds(1000 - own_age)), "age {age}");
    }
}

#[test]
fn a_devices_clock_that_is_off_is_told_once() {
    let mut bench = Bench::new(measuring(vec![grid()]), &[]);
    for n in 1..=400 {
        bench.to(Moment(n * 10_000));
        bench.input(dated(0, 600.0, Some(START + Span::hours(-1)), false));
    }
    assert_eq!(bench.balance().at, Some(START + Span::seconds(4000)));
    assert_eq!(bench.told("device_clock").len(), 1, "{:?}", bench.told("device_clock"));
}

#[test]
fn a_devices_time_does_not_count_while_our_own_clock_is_not_believed() {
    let mut bench = Bench::bare(measuring(vec![grid()]), overspill_rules::kept::Kept::default());
    bench.input(Input::ClockSet { offset_ms: START.0, believed: false });
    bench.to(Moment(60_000));
    bench.input(dated(0, 600.0, Some(START + Span::seconds(20)), false));
    assert_eq!(bench.balance().at, Some(START + Span::seconds(60)));
}

#[test]
fn an_older_reading_never_replaces_a_newer_one() {
    let mut bench = Bench::new(measuring(vec![grid()]), &[]);
    bench.to(Moment(60_000));
    bench.input(dated(0, 600.0, Some(START + Span::seconds(58)), false));
    bench.input(dated(0, 900.0, Some(START + Span::seconds(50)), false));
    assert_eq!(bench.balance().total.grid_w, Some(600.0));
}

#[test]
fn what_is_not_plausible_or_not_finite_is_refused_counted_and_told() {
    for bad in [30_001.0, -30_001.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX] {
        let mut bench = Bench::new(measuring(vec![grid()]), &[]);
        bench.report(0, 500.0);
        bench.after(1);
        bench.report(0, bad);
        assert_eq!(bench.balance().total.grid_w, Some(500.0), "{bad}");
        let told = bench.told("implausible");
        assert_eq!(told.len(), 1, "{bad}");
        assert!(told[0].contains("1 refused"), "{}", told[0]);
        // It must not keep the point fresh either.
        bench.after(28);
        bench.report(0, bad);
        bench.after(1);
        assert!(bench.notices().contains(&"stale".to_owned()), "{bad}");
        // Told again after an hour, with the count so far.
        bench.after(3600);
        bench.report(0, bad);
        assert!(bench.told("implausible")[1].contains("3 refused"), "{:?}", bench.told("implausible"));
    }
    for good in [30_000.0, -30_000.0] {
        let mut bench = Bench::new(measuring(vec![grid()]), &[]);
        bench.report(0, good);
        assert_eq!(bench.balance().total.grid_w, Some(good));
    }
}

#[test]
fn an_input_is_refused_and_stale_in_the_same_way() {
    let mut one = home(vec![water()], false);
    one.inputs = vec![OtherInput {
        plausible: Some((0.0, 100.0)),
        stale_after: Span::seconds(60),
        ..ask_input("tank_c")
    }];
    let set = [("w", r#"if home.input("tank_c") < 50.0 { home.load("water").run("cold"); }"#)];
    let mut bench = Bench::new(one, &set);
    bench.power(500.0, 0.0);
    assert_eq!(bench.rule("w").state, RuleState::Waiting);
    bench.other(0, 40.0);
    assert_eq!(bench.setpoint(0), 3000.0);
    bench.other(0, 400.0);
    bench.other(0, f64::NAN);
    assert_eq!(bench.told("implausible").len(), 1);
    assert_eq!(bench.setpoint(0), 3000.0);
    bench.hold(59, 3500.0, 0.0);
    assert_eq!(bench.setpoint(0), 3000.0);
    bench.hold(1, 3500.0, 0.0);
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Stale)));
    assert_eq!(bench.commands(0).last(), Some(&(60, 0.0)));
}

#[test]
fn between_pulses_power_is_at_most_one_pulse_in_the_time_since_the_last() {
    let pulses = Point { unit: Unit::Pulses { per_kwh: 1000.0 }, stale_after: Span::minutes(10), ..solar() };
    let mut bench = Bench::new(measuring(vec![grid(), pulses]), &[]);
    bench.inputs(vec![Bench::reading(1, 1.0), Bench::reading(0, -1000.0)]);
    bench.to(Moment(3600));
    bench.inputs(vec![Bench::reading(1, 1.0), Bench::reading(0, -1000.0)]);
    near(bench.balance().total.solar_w, 1000.0, "at the pulse");
    // 3.6e6 / (1000 per kWh × 36 s) = 100 W.
    bench.to(Moment(39_600));
    bench.report(0, 300.0);
    near(bench.balance().total.solar_w, 100.0, "36 s after the last pulse");
}

#[test]
fn a_pulse_point_is_stale_only_when_its_topic_is_silent() {
    let pulses = Point { unit: Unit::Pulses { per_kwh: 1000.0 }, ..solar() };
    let mut bench = Bench::new(measuring(vec![grid(), pulses]), &[]);
    bench.inputs(vec![Bench::reading(1, 1.0), Bench::reading(0, 0.0)]);
    bench.to(Moment(3600));
    bench.inputs(vec![Bench::reading(1, 1.0), Bench::reading(0, 0.0)]);
    for n in 1..=36 {
        bench.to(Moment(3600 + n * 10_000));
        bench.inputs(vec![Bench::reading(1, 0.0), Bench::reading(0, 0.0)]);
    }
    near(bench.balance().total.solar_w, 10.0, "360 s of night, the topic alive");
    bench.after(29);
    bench.report(0, 0.0);
    assert!(bench.balance().total.solar_w.is_some());
    bench.after(1);
    bench.report(0, 0.0);
    assert_eq!(bench.balance().total.solar_w, None);
}

#[test]
fn where_one_of_two_arrays_is_stale_the_sum_is_unknown() {
    let arrays = vec![
        grid(),
        point("east", Measures::Solar, Positive::Generation),
        point("west", Measures::Solar, Positive::Generation),
    ];
    let mut bench = Bench::new(measuring(arrays), &[]);
    bench.inputs(vec![Bench::reading(1, 1000.0), Bench::reading(2, 700.0), Bench::reading(0, 0.0)]);
    assert_eq!(bench.balance().total.solar_w, Some(1700.0));
    for _ in 0..3 {
        bench.after(10);
        bench.inputs(vec![Bench::reading(1, 1000.0), Bench::reading(0, 0.0)]);
    }
    let total = bench.balance().total;
    assert_eq!((total.solar_w, total.house_w), (None, None));
    assert_eq!(total.grid_w, Some(0.0));
}

#[test]
fn a_message_that_can_not_be_read_is_told() {
    let mut bench = Bench::new(measuring(vec![grid()]), &[]);
    bench.input(Input::Unreadable {
        about: About::Point(PointId(0)),
        why: "it is not JSON".into(),
        person: false,
    });
    assert_eq!(bench.told("unreadable"), ["point grid: it is not JSON"]);
    // A device may go on for ever; a person who tries again gets an answer each time.
    for (person, told) in [(false, 1), (true, 2), (true, 3)] {
        let about = About::Point(PointId(0));
        bench.input(Input::Unreadable { about, why: "it is not JSON".into(), person });
        assert_eq!(bench.told("unreadable").len(), told);
    }
}

#[test]
fn readings_of_points_that_do_not_exist_are_harmless() {
    let mut bench = Bench::new(home(vec![car()], false), &[]);
    bench.report(99, 500.0);
    bench.other(99, 1.0);
    bench.input(Input::LoadState { load: LoadId(99), plugged: Some(true), ready: None });
    bench.wish(OverrideRequest { load: LoadId(99), ..wish(Want::On) });
    bench.input(Input::OutOfService { load: LoadId(99), out: true, by: "Ada".into() });
    assert!(bench.notices().is_empty());
}
