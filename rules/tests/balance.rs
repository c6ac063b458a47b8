//! The balance: its formulas, two parts of three, batteries, three phases, and one age.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::time::{Moment, Span, WallTime};
use support::*;

fn near(found: Option<f64>, wanted: f64, what: &str) {
    let found = found.unwrap_or(f64::NAN);
    assert!((found - wanted).abs() < 1e-6, "{what}: {found}, not {wanted}");
}

fn battery(first: bool, charge_limit_w: f64) -> Battery {
    Battery { first, charge_limit_w, charge_input: None, full_above: 98.0 }
}

/// Points: grid, solar, then load meters, then the battery.
fn with_battery(loads: Vec<Load>, battery: Option<Battery>) -> Home {
    let mut home = home(loads, true);
    home.points.push(point("battery", Measures::Battery, Positive::Discharge));
    home.battery = battery;
    home
}

#[test]
fn the_formulas_hold() {
    // grid, solar, battery, car's draw
    let rows = [
        (500.0, 0.0, 0.0, 0.0),
        (-2000.0, 4000.0, -500.0, 0.0),
        (-300.0, 5000.0, 0.0, 3000.0),
        (4000.0, 100.0, 1500.0, 3680.0),
        (-1.0, -4.0, 0.0, 0.0),
    ];
    for (grid, solar, power, drawn) in rows {
        for (first, want) in [(true, 0.0), (true, 800.0), (false, 800.0)] {
            let mut bench = Bench::new(with_battery(vec![car()], Some(battery(first, want))), &[]);
            bench.inputs(vec![
                Bench::reading(3, power),
                Bench::reading(2, drawn),
                Bench::reading(1, solar),
                Bench::reading(0, grid),
            ]);
            let total = bench.balance().total;
            let house = grid + solar + power;
            let taken = if first { want } else { 0.0 };
            near(total.grid_w, grid, "grid");
            near(total.solar_w, solar, "solar");
            near(total.battery_w, power, "battery");
            near(total.house_w, house, "house");
            near(total.import_w, grid.max(0.0), "import");
            near(total.export_w, (-grid).max(0.0), "export");
            near(total.loads_w, drawn, "loads");
            near(total.base_w, house - drawn, "base");
            near(total.spare_w, drawn - grid - power - taken, "spare");
        }
    }
}

#[test]
fn spare_power_is_signed() {
    let mut bench = Bench::new(home(vec![car()], true), &[]);
    bench.inputs(vec![Bench::reading(2, 200.0), Bench::reading(1, 0.0), Bench::reading(0, 1000.0)]);
    assert_eq!(bench.balance().total.spare_w, Some(-800.0));
}

#[test]
fn any_two_of_grid_solar_and_house_give_the_third() {
    let points = [
        point("grid", Measures::Grid(Side::Both), Positive::Import),
        point("solar", Measures::Solar, Positive::Generation),
        point("house", Measures::House, Positive::Use),
    ];
    let values = [-1500.0, 4000.0, 2500.0];
    for missing in 0..3 {
        let kept: Vec<usize> = (0..3).filter(|i| *i != missing).collect();
        let two = kept.iter().map(|i| points[*i].clone()).collect();
        let mut bench = Bench::new(Home { points: two, ..home(vec![], false) }, &[]);
        bench.inputs(vec![Bench::reading(0, values[kept[0]]), Bench::reading(1, values[kept[1]])]);
        let total = bench.balance().total;
        near(total.grid_w, values[0], "grid");
        near(total.solar_w, values[1], "solar");
        near(total.house_w, values[2], "house");
        near(total.export_w, 1500.0, "export");
        near(total.spare_w, 1500.0, "spare");
    }
}

#[test]
fn a_derived_grid_drives_loads() {
    let points = vec![
        point("house", Measures::House, Positive::Use),
        point("solar", Measures::Solar, Positive::Generation),
    ];
    let one = Home { points, ..home(vec![water()], false) };
    let mut bench = Bench::new(one, &[("w", r#"home.load("water").take_spare("spare");"#)]);
    for n in 0..=7 {
        bench.to(Moment(n * 10_000));
        bench.inputs(vec![Bench::reading(0, 500.0), Bench::reading(1, 3000.0)]);
    }
    assert!(bench.setpoint(0) > 0.0);
    // One of its parts alone does not keep it fresh.
    for n in 8..=11 {
        bench.to(Moment(n * 10_000));
        bench.report(0, 500.0);
    }
    assert_eq!(bench.limit(0), Some(Limit::Stale));
}

#[test]
fn a_derived_value_changes_only_when_both_have_reported_since() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    bench.power(-1000.0, 3000.0);
    assert_eq!(bench.balance().total.house_w, Some(2000.0));
    bench.after(2);
    // A cloud: the roof's reading comes first, and must not make the house shrink for a moment.
    bench.report(1, 1000.0);
    assert_eq!(bench.balance().total.house_w, Some(2000.0));
    bench.after(2);
    bench.report(1, 900.0);
    assert_eq!(bench.balance().total.house_w, Some(2000.0));
    bench.after(2);
    bench.report(0, 1100.0);
    assert_eq!(bench.balance().total.house_w, Some(2000.0));
}

#[test]
fn readings_with_one_stamp_belong_together_although_one_came_alone_before() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    bench.report(0, 900.0);
    for (grid, solar) in [(-1000.0, 3000.0), (1500.0, 500.0), (2000.0, 0.0)] {
        bench.after(10);
        bench.power(grid, solar);
        assert_eq!(bench.balance().total.house_w, Some(2000.0));
    }
}

#[test]
fn where_all_three_are_measured_each_stands_and_a_lasting_misfit_is_told() {
    let mut one = home(vec![], false);
    one.points.push(point("house", Measures::House, Positive::Use));
    let mut bench = Bench::new(one, &[]);
    let readings =
        |_: &Bench| vec![Bench::reading(2, 5000.0), Bench::reading(1, 1000.0), Bench::reading(0, 500.0)];
    bench.hold_with(300, 10, readings);
    let total = bench.balance().total;
    assert_eq!((total.grid_w, total.solar_w, total.house_w), (Some(500.0), Some(1000.0), Some(5000.0)));
    assert!(bench.told("misfit").is_empty(), "not before five minutes");
    bench.hold_with(20, 10, readings);
    assert_eq!(bench.told("misfit").len(), 1);
    assert!(bench.told("misfit")[0].contains("-3500 W"), "{:?}", bench.told("misfit"));
}

/// A heater on a branch between the two clamps is in the grid's reading and not in the house's.
#[test]
fn a_load_that_the_grids_point_alone_counts_makes_no_misfit() {
    for (counted_by, told) in [(CountedBy::Point(PointId(0)), 0), (CountedBy::Main, 1)] {
        let mut one = home(vec![Load { counted_by, ..water() }], true);
        one.points.push(point("house", Measures::House, Positive::Use));
        let mut bench = Bench::new(one, &[]);
        bench.hold_with(900, 10, |_| {
            let grid = 300.0 + 2000.0 - 1000.0;
            vec![
                Bench::reading(3, 300.0),
                Bench::reading(2, 2000.0),
                Bench::reading(1, 1000.0),
                Bench::reading(0, grid),
            ]
        });
        assert_eq!(bench.told("misfit").len(), told, "{counted_by:?}");
        assert_eq!(bench.balance().total.loads_w, Some(2000.0), "either way the main clamp counts it");
    }
}

#[test]
fn clamps_that_agree_raise_no_misfit() {
    let mut one = home(vec![], false);
    one.points.push(point("house", Measures::House, Positive::Use));
    let mut bench = Bench::new(one, &[]);
    bench.hold_with(900, 10, |_| {
        vec![Bench::reading(2, 1600.0), Bench::reading(1, 1000.0), Bench::reading(0, 500.0)]
    });
    assert!(bench.told("misfit").is_empty());
}

#[test]
fn a_battery_served_first_wants_its_limit_while_it_is_not_full() {
    let mut one =
        with_battery(vec![], Some(Battery { charge_input: Some(InputId(0)), ..battery(true, 2500.0) }));
    one.inputs.push(OtherInput { stale_after: Span::seconds(60), ..ask_input("charge") });
    let mut bench = Bench::new(one, &[]);
    let readings = || vec![Bench::reading(2, -500.0), Bench::reading(1, 5000.0), Bench::reading(0, -1000.0)];
    // Charge, and the spare power: 1000 exported + 500 charging, less what it wants.
    for (percent, spare) in
        [(None, -1000.0), (Some(50.0), -1000.0), (Some(97.9), -1000.0), (Some(98.0), 1500.0)]
    {
        if let Some(percent) = percent {
            bench.other(0, percent);
        }
        bench.after(1);
        bench.inputs(readings());
        assert_eq!(bench.balance().total.spare_w, Some(spare), "{percent:?}");
    }
    bench.after(60);
    bench.inputs(readings());
    assert_eq!(bench.balance().total.spare_w, Some(-1000.0), "an unknown charge counts as not full");
}

#[test]
fn a_declared_battery_without_a_meter_leaves_no_spare_power() {
    let mut one = home(vec![water()], false);
    one.battery = Some(battery(true, 2500.0));
    let mut bench = Bench::new(one, &[("w", r#"home.load("water").take_spare("spare");"#)]);
    bench.power(-4000.0, 5000.0);
    bench.hold(200, -4000.0, 5000.0);
    let total = bench.balance().total;
    assert_eq!((total.spare_w, total.house_w, total.base_w), (None, None, None));
    assert_eq!((total.grid_w, total.solar_w), (Some(-4000.0), Some(5000.0)));
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Stale)));
}

#[test]
fn a_battery_reading_that_goes_stale_sends_takers_of_spare_power_to_their_fallback() {
    let mut one = with_battery(vec![water()], Some(battery(true, 0.0)));
    one.points[3].stale_after = Span::seconds(20);
    let mut bench = Bench::new(one, &[("w", r#"home.load("water").take_spare("spare");"#)]);
    for n in 0..=9 {
        bench.to(Moment(n * 10_000));
        let battery = [Bench::reading(3, 0.0), Bench::reading(2, 0.0)];
        bench.inputs(
            battery.into_iter().chain([Bench::reading(1, 3000.0), Bench::reading(0, -2000.0)]).collect(),
        );
    }
    assert!(bench.setpoint(0) > 0.0);
    bench.to(Moment(100_000));
    bench.power(-2000.0, 3000.0);
    bench.to(Moment(109_999));
    assert!(bench.setpoint(0) > 0.0);
    bench.to(Moment(110_000));
    assert_eq!((bench.setpoint(0), bench.limit(0)), (0.0, Some(Limit::Stale)));
}

#[test]
fn a_load_outside_the_clamp_is_not_in_the_balance_and_needs_its_own_meter() {
    for metered in [true, false] {
        let outside = Load { counted_by: CountedBy::Nothing, ..water() };
        let mut bench =
            Bench::new(home(vec![outside], metered), &[("w", r#"home.load("water").take_spare("spare");"#)]);
        bench.power(-2000.0, 3000.0);
        for _ in 0..8 {
            bench.after(10);
            let mut inputs = vec![Bench::reading(1, 3000.0), Bench::reading(0, -2000.0)];
            if metered {
                inputs.insert(0, Bench::reading(2, 0.0));
            }
            bench.inputs(inputs);
        }
        assert_eq!(bench.balance().total.loads_w, Some(0.0));
        assert_eq!(bench.setpoint(0) > 0.0, metered, "metered {metered}");
        if metered {
            bench.inputs(vec![
                Bench::reading(2, 450.0),
                Bench::reading(1, 3000.0),
                Bench::reading(0, -2000.0),
            ]);
            let total = bench.balance().total;
            assert_eq!((total.loads_w, total.base_w), (Some(0.0), Some(1000.0)));
        } else {
            assert!(bench.load(0).reason.contains("meter of its own"), "{}", bench.load(0).reason);
        }
    }
}

#[test]
fn a_load_or_battery_report_alone_never_changes_spare_power_or_base() {
    let mut bench = Bench::new(with_battery(vec![car()], Some(battery(true, 0.0))), &[]);
    bench.inputs(vec![
        Bench::reading(3, -200.0),
        Bench::reading(2, 2000.0),
        Bench::reading(1, 5000.0),
        Bench::reading(0, -1000.0),
    ]);
    let before = bench.balance().total;
    for n in 0..10 {
        bench.after(2);
        bench.report(2, 2000.0 + f64::from(n) * 300.0);
        bench.report(3, -200.0 - f64::from(n) * 100.0);
        let now = bench.balance().total;
        assert_eq!((now.spare_w, now.base_w, now.loads_w), (before.spare_w, before.base_w, before.loads_w));
    }
    bench.inputs(vec![Bench::reading(1, 5000.0), Bench::reading(0, -1000.0)]);
    near(bench.balance().total.spare_w, 4700.0 + 1000.0 + 1100.0, "with the new reading");
}

#[test]
fn draws_count_as_they_stood_at_the_grid_readings_own_time() {
    let mut one = home(vec![car()], true);
    one.points[0].lag = Span::seconds(10);
    let mut bench = Bench::new(one, &[]);
    bench.report(2, 1000.0);
    bench.to(Moment(12_000));
    bench.report(2, 3000.0);
    bench.to(Moment(15_000));
    // Arrives at 15 s, tells of 5 s: the car drew 1000 W then.
    bench.power(-500.0, 4000.0);
    let total = bench.balance().total;
    assert_eq!((total.loads_w, total.spare_w), (Some(1000.0), Some(1500.0)));
    bench.to(Moment(22_000));
    bench.power(1500.0, 4000.0);
    assert_eq!(bench.balance().total.loads_w, Some(3000.0));
}

/// Mixing ages is the worst fault of all: a slow grid reading with quick load reports sends everything to its ceiling
/// within seconds.
#[test]
fn a_sixty_second_grid_reading_with_two_second_load_reports_does_not_run_away() {
    let mut one = home(vec![water()], true);
    one.points.iter_mut().for_each(|p| p.stale_after = Span::minutes(3));
    let mut bench = Bench::new(one, &[("w", r#"home.load("water").take_spare("spare");"#)]);
    let mut drawn = 0.0;
    for second in (0..1800).step_by(2) {
        bench.to(Moment(second * 1000));
        let mut inputs = vec![Bench::reading(2, drawn)];
        if second % 60 == 0 {
            inputs.extend([Bench::reading(1, 2000.0), Bench::reading(0, 500.0 + drawn - 2000.0)]);
        }
        bench.inputs(inputs);
        drawn = bench.setpoint(0);
        assert!(drawn <= 1500.0, "{drawn} W at {second} s, with 1500 W to spare");
        let spare = bench.balance().total.spare_w.unwrap();
        assert!((spare - 1500.0).abs() < 60.0, "{spare} W at {second} s");
    }
    assert!(drawn > 1400.0, "{drawn}");
}

fn phases(bench: &mut Bench, grid: [f64; 3], solar: [f64; 3]) {
    let mut inputs: Vec<Input> = (0..3).map(|i| Bench::reading(3 + i, solar[usize::from(i)])).collect();
    inputs.extend((0..3).map(|i| Bench::reading(i, grid[usize::from(i)])));
    bench.inputs(inputs);
}

#[test]
fn three_phases_have_the_same_values_per_phase_and_in_sum() {
    let mut bench = Bench::new(three_phase_home(vec![], Netting::Sum), &[]);
    phases(&mut bench, [500.0, -1000.0, 200.0], [0.0, 1500.0, 100.0]);
    let balance = bench.balance();
    near(balance.total.grid_w, -300.0, "grid");
    near(balance.total.house_w, 1300.0, "house");
    near(balance.total.spare_w, 300.0, "spare");
    for (i, (grid, house)) in [(500.0, 500.0), (-1000.0, 500.0), (200.0, 300.0)].into_iter().enumerate() {
        let phase = balance.phases[i];
        near(phase.grid_w, grid, "grid of a phase");
        near(phase.house_w, house, "house of a phase");
        near(phase.import_w, grid.max(0.0), "import of a phase");
        near(phase.export_w, (-grid).max(0.0), "export of a phase");
        near(phase.spare_w, -grid, "spare of a phase");
    }
}

#[test]
fn one_phase_homes_have_no_phases_to_tell() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    bench.power(1.0, 2.0);
    assert!(bench.balance().phases.is_empty());
    assert!(serde_json::to_value(bench.balance()).unwrap().get("phases").is_none());
}

/// 3 kW to spare on phase 2, 600 W bought on phase 1: netted in sum there is power for a load on phase 1, netted per
/// phase there is none; and for one on all phases the least counts.
#[test]
fn netting_decides_whether_one_phase_helps_another() {
    let three = Load { phases: 3, kind: Kind::Modulated { floor_w: 0.0, ceiling_w: 6000.0 }, ..water() };
    let rows = [
        (Netting::Sum, Load { phase: 1, ..water() }, true),
        (Netting::Phase, Load { phase: 1, ..water() }, false),
        (Netting::Phase, Load { phase: 2, ..water() }, true),
        (Netting::Sum, three.clone(), true),
        (Netting::Phase, three, false),
    ];
    for (netting, load, runs) in rows {
        let text = format!("{netting:?}, phase {} of {}", load.phase, load.phases);
        let set = [("w", r#"home.load("water").take_spare("spare");"#)];
        let mut bench = Bench::new(three_phase_home(vec![load], netting), &set);
        for n in 0..=7 {
            bench.to(Moment(n * 10_000));
            phases(&mut bench, [600.0, -3000.0, 0.0], [0.0, 3500.0, 0.0]);
        }
        assert_eq!(bench.setpoint(0) > 0.0, runs, "{text}");
    }
}

#[test]
fn a_load_on_three_phases_gets_three_times_the_least_of_them() {
    let load = Load {
        phases: 3,
        kind: Kind::Modulated { floor_w: 0.0, ceiling_w: 9000.0 },
        start_after: Span::ZERO,
        ..water()
    };
    let mut one = three_phase_home(vec![load], Netting::Phase);
    one.points.push(point("meter", Measures::Load(LoadId(0)), Positive::Use));
    let mut bench = Bench::new(one, &[("w", r#"home.load("water").take_spare("spare");"#)]);
    for n in 0..60 {
        bench.to(Moment(n * 10_000));
        let decided = bench.outputs.iter().any(|(_, o)| matches!(o, Output::Load(_)));
        let drawn = if decided { bench.setpoint(0) } else { 0.0 };
        bench.report(6, drawn);
        let each = drawn / 3.0;
        phases(&mut bench, [each - 1000.0, each - 2000.0, each - 3000.0], [1500.0, 2500.0, 3500.0]);
    }
    assert!((2950.0..=3000.0).contains(&bench.setpoint(0)), "{}", bench.setpoint(0));
}

#[test]
fn the_time_of_a_balance_is_that_of_its_oldest_part() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    bench.to(Moment(4_000));
    bench.report(1, 1000.0);
    bench.to(Moment(9_000));
    bench.report(0, 500.0);
    assert_eq!(bench.balance().at, Some(WallTime(START.0 + 4_000)));
}

#[test]
fn where_grid_and_house_are_measured_the_base_is_the_house_without_its_loads() {
    let mut one = home(vec![car()], true);
    one.points[1] = point("house", Measures::House, Positive::Use);
    let mut bench = Bench::new(one, &[]);
    for n in 0..3 {
        bench.to(Moment(n * 10_000));
        bench.inputs(vec![Bench::reading(2, 1400.0), Bench::reading(1, 2000.0), Bench::reading(0, -1500.0)]);
    }
    let total = bench.balance().total;
    assert_eq!((total.solar_w, total.house_w), (Some(3500.0), Some(2000.0)));
    assert_eq!((total.loads_w, total.base_w, total.spare_w), (Some(1400.0), Some(600.0), Some(2900.0)));
}

/// The grid comes on the full ten seconds, the roof 0.3 s later; the roof has said something in between, once.
#[test]
fn a_reading_out_of_turn_does_not_put_every_later_sum_one_round_behind() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    for n in 1..8 {
        let (solar, base) = (f64::from(n) * 500.0, 300.0);
        bench.to(Moment(i64::from(n) * 10_000));
        bench.report(0, base - solar);
        bench.to(Moment(i64::from(n) * 10_000 + 300));
        bench.report(1, solar);
        if n == 3 {
            bench.to(Moment(35_000));
            bench.report(1, solar);
        }
        let house = bench.balance().total.house_w;
        if n != 4 {
            near(house, base, &format!("house after round {n}"));
        }
    }
}

#[test]
fn a_roof_on_one_phase_is_part_of_the_base_of_that_phase_alone() {
    let mut one = three_phase_home(vec![], Netting::Sum);
    one.points.retain(|p| p.measures != Measures::Solar);
    one.points.push(Point { phase: Some(2), ..point("roof", Measures::Solar, Positive::Generation) });
    let mut bench = Bench::new(one, &[]);
    bench.inputs(vec![
        Bench::reading(3, 3000.0),
        Bench::reading(0, 200.0),
        Bench::reading(1, -2500.0),
        Bench::reading(2, 400.0),
    ]);
    let base: Vec<Option<f64>> = bench.balance().phases.iter().map(|p| p.base_w).collect();
    assert_eq!(base, [Some(200.0), Some(500.0), Some(400.0)]);
}
