//! Worked examples, each with where it comes from: the balance, half-hour netting, pulses, three phases, bills, prices by
//! the time of day, clock changes.
#![allow(missing_docs, clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use jiff::ToSpan;
use jiff::tz::TimeZone;
use overspill_rules::home::*;
use overspill_rules::input::*;
use overspill_rules::output::*;
use overspill_rules::tariff::{
    Bill, ExportPrice, HalfHour, ImportPrice, Prices, Tariff, Terms, Window, Windows,
};
use overspill_rules::time::{Moment, Span, WallTime};
use rust_decimal::Decimal;
use support::*;

fn near(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() < 1e-6, "{what}: {found}, not {wanted}");
}

fn money(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn total(bench: &Bench, flow: Flow) -> f64 {
    bench.rows(flow).iter().map(|r| r.kwh).sum()
}

/// Conservation of energy, with the sign rule that power into the house is positive; figures computed.
#[test]
fn the_balance_of_a_home() {
    let mut one = home(vec![], false);
    one.points.push(point("battery", Measures::Battery, Positive::Discharge));
    one.battery = Some(Battery { first: true, charge_limit_w: 0.0, charge_input: None, full_above: 100.0 });
    for (grid, solar, battery, house) in [
        (1200.0, 0.0, 0.0, 1200.0),
        (-1500.0, 3200.0, 0.0, 1700.0),
        (300.0, 2000.0, -1500.0, 800.0),
        (-400.0, 100.0, 900.0, 600.0),
        (-2000.0, 1500.0, 0.0, -500.0),
    ] {
        let mut bench = Bench::new(one.clone(), &[]);
        bench.inputs(vec![Bench::reading(2, battery), Bench::reading(1, solar), Bench::reading(0, grid)]);
        near(bench.balance().total.house_w.unwrap(), house, &format!("{grid} {solar} {battery}"));
    }
}

/// Registers of a smart meter: within an instant it imports or exports, and nothing is netted over the half hour
/// (SMETS2, IEC 62053; figures computed). 3 kW in for 15 minutes, then 3 kW out.
#[test]
fn a_half_hour_is_not_netted() {
    let mut bench = Bench::new(home(vec![], false), &[]);
    for second in (0..=1800).step_by(10) {
        bench.to(Moment(second * 1000));
        let grid = if second < 900 { 3000.0 } else { -3000.0 };
        bench.power(grid, 3500.0);
    }
    bench.input(Input::Stopping);
    near(total(&bench, Flow::Import), 0.75, "import");
    near(total(&bench, Flow::Export), 0.75, "export");
}

/// P = 3 600 000 / (K · Δt), IEC 62053-31:1998; figures computed, the row of 1600 also in an encyclopaedia.
#[test]
fn pulses_become_power() {
    for (per_kwh, seconds, watts) in [
        (1000.0, 1.2, 3000.0),
        (1000.0, 3.6, 1000.0),
        (1000.0, 30.0, 120.0),
        (800.0, 3.6, 1250.0),
        (1600.0, 22.5, 100.0),
        (3200.0, 1.125, 1000.0),
        (10_000.0, 0.36, 1000.0),
    ] {
        let mut one = home(vec![], false);
        one.points[1].unit = Unit::Pulses { per_kwh };
        one.points[1].stale_after = Span::minutes(10);
        let mut bench = Bench::new(one, &[]);
        for n in 0..4_i64 {
            bench.to(Moment(n * (seconds * 1000.0_f64).round() as i64));
            bench.inputs(vec![Bench::reading(1, 1.0), Bench::reading(0, 0.0)]);
        }
        near(bench.balance().total.solar_w.unwrap(), watts, &format!("{per_kwh} per kWh, {seconds} s"));
    }
}

/// A meter that nets its phases works on their sum at each instant (common in Britain and Germany; figures computed).
#[test]
fn three_phases_in_sum() {
    let mut bench = Bench::new(three_phase_home(vec![], Netting::Sum), &[]);
    for n in 0..=180 {
        bench.to(Moment(n * 10_000));
        let mut inputs: Vec<Input> = (3..6).map(|point| Bench::reading(point, 0.0)).collect();
        let each = [2000.0, -1500.0, -800.0].into_iter().enumerate();
        inputs.extend(each.map(|(i, watts)| Bench::reading(i as u16, watts)));
        bench.inputs(inputs);
    }
    let balance = bench.balance();
    near(balance.total.grid_w.unwrap(), -300.0, "in sum");
    near(balance.total.export_w.unwrap(), 300.0, "export");
    let phases =
        |value: fn(&BalanceValues) -> Option<f64>| -> f64 { balance.phases.iter().filter_map(value).sum() };
    near(phases(|b| b.import_w), 2000.0, "import of the phases");
    near(phases(|b| b.export_w), 2300.0, "export of the phases");
    bench.input(Input::Stopping);
    near(total(&bench, Flow::Import), 0.0, "import");
    near(total(&bench, Flow::Export), 0.15, "export");
}

fn tariff(vat: &str, standing: &str, import: ImportPrice, export: &str) -> Tariff {
    let terms = Terms {
        vat_percent: money(vat),
        standing_per_day: money(standing),
        import,
        export: ExportPrice::Flat(money(export)),
        generation: Decimal::ZERO,
    };
    Tariff::new("GBP".into(), terms, vec![])
}

fn london() -> TimeZone {
    TimeZone::get("Europe/London").unwrap()
}

fn start_of(date: &str) -> WallTime {
    let date: jiff::civil::Date = date.parse().unwrap();
    WallTime(date.to_zoned(london()).unwrap().timestamp().as_millisecond())
}

fn half_hours(date: &str) -> Vec<WallTime> {
    let next: jiff::civil::Date = date.parse().unwrap();
    let end = start_of(&next.checked_add(1.day()).unwrap().to_string());
    std::iter::successors(Some(start_of(date)), |at| Some(*at + Span::minutes(30)))
        .take_while(|at| *at < end)
        .collect()
}

fn charged(tariff: &Tariff, days: (&str, &str), import_kwh: f64, export_kwh: f64) -> Bill {
    let mut bill = Bill::default();
    let energy = HalfHour { start: start_of(days.0), import_kwh, export_kwh, solar_kwh: 0.0 };
    tariff.charge(&mut bill, &energy, &Prices::default());
    tariff.charge_days(&mut bill, &london(), start_of(days.0), start_of(days.1));
    bill
}

/// Ofgem's price cap of October to December 2024 (24.50 p/kWh, 60.99 p/day, VAT included): 250 kWh and 30 days are
/// 79.547 pounds; less 120 kWh sent out at 15 p, 61.547.
#[test]
fn a_bill_with_vat_included() {
    let bill = charged(
        &tariff("0", "0.6099", ImportPrice::Flat(money("0.2450")), "0.15"),
        ("2024-11-01", "2024-12-01"),
        250.0,
        120.0,
    );
    assert_eq!(bill.import + bill.standing, money("79.547"));
    assert_eq!(bill.energy() + bill.standing, money("61.547"));
    assert_eq!(Bill::rounded(bill.import + bill.standing), money("79.55"));
}

/// VAT of 5 % on domestic power (VATA 1994, Schedule 7A): 76.50 before it are 80.325, paid as 80.33: half a penny goes
/// up, once, on the whole bill.
#[test]
fn a_bill_with_vat_on_top() {
    let bill = charged(
        &tariff("5", "0.55", ImportPrice::Flat(money("0.24")), "0"),
        ("2024-11-01", "2024-12-01"),
        250.0,
        0.0,
    );
    assert_eq!(bill.import + bill.standing, money("80.325"));
    assert_eq!(Bill::rounded(bill.import + bill.standing), money("80.33"));
}

fn by_night(night: &str, day: &str) -> ImportPrice {
    let window = Window { from: 30, to: 330, days: [true; 7], price: money(night) };
    ImportPrice::Windows(Windows::new(london(), Some(money(day)), &[window]).unwrap())
}

/// Computed: ten half hours of 1.2 kWh at 7.5 p and 38 of 0.25 kWh at 28 p are 356.0 p; flat at 24.5 p it is 526.75 p.
#[test]
fn a_day_by_the_half_hour() {
    let cheap = start_of("2026-01-14") + Span::minutes(30);
    let day = |tariff: &Tariff| {
        let mut bill = Bill::default();
        for start in half_hours("2026-01-14") {
            let night = start >= cheap && start < cheap + Span::hours(5);
            let import_kwh = if night { 1.2 } else { 0.25 };
            let energy = HalfHour { start, import_kwh, export_kwh: 0.0, solar_kwh: 0.0 };
            tariff.charge(&mut bill, &energy, &Prices::default());
        }
        bill.import
    };
    assert_eq!(day(&tariff("0", "0", by_night("0.075", "0.28"), "0")), money("3.56"));
    assert_eq!(day(&tariff("0", "0", ImportPrice::Flat(money("0.245")), "0")), money("5.2675"));
}

/// Half open: 05:29:59 is night, 05:30:00 is day.
#[test]
fn a_window_ends_just_before_its_end() {
    let tariff = tariff("0", "0", by_night("0.075", "0.28"), "0");
    let end = start_of("2026-01-14") + Span::minutes(330);
    let price = |at| tariff.import_at(at, &Prices::default());
    assert_eq!(price(WallTime(end.0 - 1000)), Some(money("0.075")));
    assert_eq!(price(end), Some(money("0.28")));
}

/// Computed: 1.5 kWh at -3.2 p and 0.5 kWh at 20 p come to 5.2 p.
#[test]
fn negative_prices() {
    let mut bill = Bill::default();
    let mut charge = |price: &str, import_kwh: f64| {
        let energy = HalfHour { start: start_of("2026-01-14"), import_kwh, export_kwh: 0.0, solar_kwh: 0.0 };
        tariff("0", "0", ImportPrice::Flat(money(price)), "0").charge(&mut bill, &energy, &Prices::default());
    };
    charge("-0.032", 1.5);
    charge("0.20", 0.5);
    assert_eq!(bill.import, money("0.052"));
}

/// Common practice: sums are exact and rounded once. 17,520 times 0.333 p are 5834.16 p.
#[test]
fn a_year_of_half_pence_does_not_drift() {
    let tariff = tariff("0", "0", ImportPrice::Flat(money("0.00333")), "0");
    let mut bill = Bill::default();
    for n in 0..17_520 {
        let start = start_of("2026-01-01") + Span::minutes(30 * n);
        tariff.charge(
            &mut bill,
            &HalfHour { start, import_kwh: 1.0, export_kwh: 0.0, solar_kwh: 0.0 },
            &Prices::default(),
        );
    }
    assert_eq!(bill.import, money("58.3416"));
}

/// Elexon, "Settlement Period": 46, 48 and 50 periods of the local day; the changes are at 01:00 UTC of the last Sundays
/// of March and October. A night from 00:30 to 05:30 holds 8, 10 and 12 half hours.
#[test]
fn days_on_which_clocks_change() {
    let windows = tariff("0", "0", by_night("1", "0"), "0");
    for (date, periods, begins, night) in [
        ("2026-03-29", 46, "2026-03-29T00:00:00Z", 8),
        ("2026-06-21", 48, "2026-06-20T23:00:00Z", 10),
        ("2026-10-25", 50, "2026-10-24T23:00:00Z", 12),
    ] {
        let all = half_hours(date);
        assert_eq!(all.len(), periods, "{date}");
        let first: jiff::Timestamp = begins.parse().unwrap();
        assert_eq!(all[0], WallTime(first.as_millisecond()), "{date}");
        let at_night =
            all.iter().filter(|at| windows.import_at(**at, &Prices::default()) == Some(Decimal::ONE));
        assert_eq!(at_night.count(), night, "{date}");
    }
    for (unix_s, offset_h) in [(1_774_746_000, 1), (1_792_890_000, 0)] {
        let at = |s: i64| WallTime(s * 1000).in_zone(&london()).unwrap().offset().seconds() / 3600;
        assert_eq!((at(unix_s - 1), at(unix_s)), (1 - offset_h, offset_h));
    }
}
