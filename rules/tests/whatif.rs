//! The books of a what-if balance: what the grid gives more is what the loads take more.
#![allow(clippy::unwrap_used)]

mod support;

use std::collections::BTreeMap;
use std::sync::Arc;

use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::kept::Kept;
use overspill_rules::tariff::{ExportPrice, ImportPrice, Tariff, Terms};
use overspill_rules::time::{Moment, Span, WallTime};
use overspill_rules::whatif::{Account, Assumptions, Need, WhatIf};
use proptest::prelude::*;
use support::*;

/// A home with a car, with a meter of its own or without; the grid reading is a while late.
fn late_home(lag_s: i64, metered: bool) -> Home {
    let mut home = home(vec![car()], metered);
    if let Some(grid) = home.points.first_mut() {
        grid.lag = Span::seconds(lag_s);
    }
    home
}

fn rules(keep_w: u32) -> RuleSet {
    let rule = |name: &str, text: String| RuleSource { name: name.to_owned(), text };
    let car =
        format!(r#"fn decide(home) {{ home.load("car").take_spare(#{{keep_w: {keep_w}}}, "spare"); }}"#);
    RuleSet { rules: vec![rule("car", car)], library: Vec::new() }
}

/// One thing that happens: after so many seconds, a grid reading, a load's reading, or a set-point.
#[derive(Debug, Clone)]
enum Happens {
    Grid(f64),
    Draw(f64),
    Set(f64),
}

fn happens() -> impl Strategy<Value = (i64, Happens)> {
    let what = prop_oneof![
        6 => (-8000.0..8000.0_f64).prop_map(Happens::Grid),
        2 => (0.0..7000.0_f64).prop_map(Happens::Draw),
        1 => (0.0..3000.0_f64).prop_map(Happens::Set),
    ];
    // Now and then a gap that is too long to count.
    (prop_oneof![20 => 1..20_i64, 1 => 100..900_i64], what)
}

fn run(home: &Arc<Home>, story: &[(i64, Happens)], keep_w: u32, room_wh: f64) -> Account {
    let need = Need { from: Moment(START.0), to: Moment(START.0 + 86_400_000), wh: room_wh, evenly: false };
    let needs = BTreeMap::from([(LoadId(0), vec![need])]);
    let assumed = Assumptions { needs, ratios: BTreeMap::from([(LoadId(0), 0.97)]) };
    let mut what_if = WhatIf::new(home, rules(keep_w), Kept::default(), &assumed, START);
    let grid = home.points_measuring(Measures::Grid(Side::Both)).next().unwrap();
    let meter = home.meter_of(LoadId(0));
    let mut at = START;
    for (after_s, happens) in story {
        at = WallTime(at.0 + after_s * 1000);
        let reading = |point, value| {
            Input::Reading(Reading { point, extra: None, value, device_time: None, retained: false })
        };
        match (happens, meter) {
            (Happens::Grid(watts), _) => what_if.input(at, &reading(grid, *watts)),
            (Happens::Draw(watts), Some(meter)) => what_if.input(at, &reading(meter, *watts)),
            (Happens::Draw(watts) | Happens::Set(watts), _) => {
                what_if.recorded_setpoint(at, LoadId(0), *watts);
            }
        }
    }
    what_if.end(at);
    what_if.account()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// To the microjoule: replayed import less export, less the recorded, is the change of what the loads drew.
    #[test]
    fn what_the_grid_gives_more_the_loads_take_more(
        story in prop::collection::vec(happens(), 20..250),
        keep_w in 0..2000_u32,
        room_wh in 0.0..8000.0_f64,
        lag_s in 0..8_i64,
        metered: bool,
    ) {
        let home = Arc::new(late_home(lag_s, metered));
        let books = run(&home, &story, keep_w, room_wh);
        let counted = books.loads.iter().filter(|l| l.counted);
        let change: i64 = counted.clone().map(|l| l.replayed_uj - l.recorded_uj).sum();
        prop_assert_eq!(books.replayed.net_uj() - books.recorded.net_uj(), change);
        let recorded: i64 = counted.map(|l| l.recorded_uj).sum();
        prop_assert_eq!(books.recorded.net_uj() - books.off.net_uj(), recorded);
        let taken = books.loads.first().map_or(0.0, |l| l.replayed_kwh() * 1000.0);
        prop_assert!(taken <= room_wh + 0.01, "took {} Wh of {}", taken, room_wh);
        prop_assert_eq!(run(&home, &story, keep_w, room_wh), books);
    }
}

/// By hand: 3 kW leave for an hour, nothing is on in the record, and the car takes what it can of them.
#[test]
fn a_car_takes_what_left_the_house() {
    let home = Arc::new(late_home(0, false));
    let story: Vec<(i64, Happens)> = (0..360).map(|_| (10, Happens::Grid(-3000.0))).collect();
    let books = run(&home, &story, 0, 50_000.0);
    assert!((books.recorded.export_kwh() - 3.0 * 359.0 / 360.0).abs() < 1e-9);
    assert_eq!(books.off, books.recorded);
    let car = books.loads[0];
    assert!(car.replayed_kwh() > 2.0 && car.replayed_starts == 1, "{car:?}");
    assert_eq!(
        books.recorded.export_uj - books.replayed.export_uj + books.replayed.import_uj,
        car.replayed_uj
    );
}

/// The bill of a flat price is that of the books' energy, in every column, whatever the gaps.
#[test]
fn a_flat_price_charges_exactly_what_the_books_hold() {
    let mut home = late_home(0, false);
    let money = |text: &str| -> rust_decimal::Decimal { text.parse().unwrap() };
    let terms = Terms {
        vat_percent: money("0"),
        standing_per_day: money("0.5"),
        import: ImportPrice::Flat(money("0.25")),
        export: ExportPrice::Flat(money("0.15")),
        generation: money("0"),
    };
    home.tariff = Some(Tariff::new("GBP".to_owned(), terms, Vec::new()));
    let home = Arc::new(home);
    let watts = |i: i64| 3000.0 * (i as f64 / 40.0).sin() - 500.0;
    let story: Vec<(i64, Happens)> =
        (0..1500).map(|i| (if i % 400 == 399 { 900 } else { 10 }, Happens::Grid(watts(i)))).collect();
    let books = run(&home, &story, 0, 50_000.0);
    let bills = books.money.unwrap();
    for (bill, flows) in
        [(bills.recorded, books.recorded), (bills.replayed, books.replayed), (bills.off, books.off)]
    {
        let (import, export): (f64, f64) = (bill.import.try_into().unwrap(), bill.export.try_into().unwrap());
        assert!((import - flows.import_kwh() * 0.25).abs() < 1e-5, "{import} {flows:?}");
        assert!((export - flows.export_kwh() * 0.15).abs() < 1e-5, "{export} {flows:?}");
        assert!(bill.standing.is_zero() && bill.unpriced_kwh.is_zero());
    }
    assert!(bills.replayed.energy() != bills.recorded.energy());
}

/// Export that stands at its limit is told, since the roof could have given more.
#[test]
fn export_at_its_limit_is_timed() {
    let mut home = late_home(0, false);
    home.supply.export_limit_w = Some(3680.0);
    let home = Arc::new(home);
    let story: Vec<(i64, Happens)> =
        (0..360).map(|i| (10, Happens::Grid(if i < 180 { -3650.0 } else { -3000.0 }))).collect();
    assert_eq!(run(&home, &story, 0, 0.0).at_limit_ms, 1_800_000);
}

/// What is drawn off while a tank is hot must not keep its thermostat shut: over a day it takes what is used and what
/// was missing at the beginning, not more.
#[test]
fn a_hot_tank_takes_no_more_than_is_used() {
    let home = Arc::new(home(vec![water()], false));
    let rule = r#"fn decide(home) { home.load("water").run("always"); }"#;
    let rules = RuleSet {
        rules: vec![RuleSource { name: "water".to_owned(), text: rule.to_owned() }],
        library: Vec::new(),
    };
    let need = Need { from: Moment(START.0), to: Moment(START.0 + 86_400_000), wh: 6000.0, evenly: true };
    let assumed = Assumptions { needs: BTreeMap::from([(LoadId(0), vec![need])]), ratios: BTreeMap::new() };
    let mut what_if = WhatIf::new(&home, rules, Kept::default(), &assumed, START);
    let grid = home.points_measuring(Measures::Grid(Side::Both)).next().unwrap();
    let reading = Reading { point: grid, extra: None, value: 300.0, device_time: None, retained: false };
    for second in (0..86_400).step_by(10) {
        what_if.input(WallTime(START.0 + second * 1000), &Input::Reading(reading));
    }
    what_if.end(WallTime(START.0 + 86_390_000));
    let tank = what_if.account().loads[0];
    assert!((8.0..9.1).contains(&tank.replayed_kwh()), "{} kWh", tank.replayed_kwh());
    assert!(tank.ran_ms < 4 * 3_600_000, "it ran for {} s", tank.ran_ms / 1000);
}
