//! The hourly example of storing surplus, worked out by hand: use 0.4 0.4 0.5 0.6 0.6 2.5 3.0 1.0 kWh, sun 0 1.5 3.5 4.0
//! 2.0 0.5 0 0 kWh, 5 kWh usable, 2.5 kW, empty at first. "Store when there is some, use when there is need" is the
//! ordinary rule of texts on photovoltaic simulation; the figures are arithmetic.

use overspill_rules::answers::battery::{
    Outcome, Series, Strategy, Terms, a_year, car_km, payback_years, run, water_litres, what_if,
};
use rust_decimal::Decimal;

use crate::support::{flat, money, series};

const USE: [f64; 8] = [0.4, 0.4, 0.5, 0.6, 0.6, 2.5, 3.0, 1.0];
const SUN: [f64; 8] = [0.0, 1.5, 3.5, 4.0, 2.0, 0.5, 0.0, 0.0];

fn day() -> Series {
    let rows = USE.iter().zip(SUN).map(|(used, sun)| (1.0, (used - sun).max(0.0), (sun - used).max(0.0)));
    series(Some(flat("0.05")), &rows.collect::<Vec<_>>())
}

fn terms(size_kwh: f64, charge_efficiency: f64, discharge_efficiency: f64) -> Terms {
    Terms { charge_efficiency, discharge_efficiency, ..Terms::of_size(size_kwh) }
}

fn near(found: f64, wanted: f64, what: &str) {
    assert!((found - wanted).abs() < 6e-6, "{what}: {found} for {wanted}");
}

#[test]
fn every_cell_of_the_table() {
    let root = 0.9_f64.sqrt();
    let cases = [
        (terms(0.0, 1.0, 1.0), [6.4, 8.9, 0.0, 0.0, 0.22609, 0.28889]),
        (terms(5.0, 1.0, 1.0), [1.4, 3.9, 5.0, 5.0, 0.66087, 0.84444]),
        (terms(5.0, 0.95, 0.95), [1.65, 3.63684, 5.26316, 4.75, 0.68375, 0.81667]),
        (terms(5.0, root, root), [1.65658, 3.62954, 5.27046, 4.74342, 0.68439, 0.81594]),
        (terms(5.0, 0.9, 1.0), [1.4, 3.34444, 5.55556, 5.0, 0.70918, 0.84444]),
    ];
    let (used, sun): (f64, f64) = (USE.iter().sum(), SUN.iter().sum());
    for (terms, wanted) in cases {
        let total = what_if(&day(), &terms, Strategy::StoreSurplus).total;
        let found = [
            total.import_kwh,
            total.export_kwh,
            total.charge_kwh,
            total.discharge_kwh,
            (sun - total.export_kwh) / sun,
            (used - total.import_kwh) / used,
        ];
        for (found, wanted) in found.into_iter().zip(wanted) {
            near(found, wanted, &format!("{terms:?}"));
        }
    }
}

#[test]
fn every_hour_of_the_trace() {
    // Taken in, given out, charge, grid (positive is bought).
    let wanted = [
        (0.0, 0.0, 0.0, 0.4),
        (1.1, 0.0, 1.045, 0.0),
        (2.5, 0.0, 3.42, -0.5),
        (1.6632, 0.0, 5.0, -1.7368),
        (0.0, 0.0, 5.0, -1.4),
        (0.0, 2.0, 2.8947, 0.0),
        (0.0, 2.5, 0.2632, 0.5),
        (0.0, 0.25, 0.0, 0.75),
    ];
    let mut found = Vec::new();
    run(&day(), &terms(5.0, 0.95, 0.95), Strategy::StoreSurplus, |_, flow, charge_kwh| {
        found.push((flow.charge_kwh, flow.discharge_kwh, charge_kwh, flow.import_kwh - flow.export_kwh));
    });
    assert_eq!(found.len(), wanted.len());
    for (hour, (found, wanted)) in found.iter().zip(wanted).enumerate() {
        for (found, wanted) in
            [(found.0, wanted.0), (found.1, wanted.1), (found.2, wanted.2), (found.3, wanted.3)]
        {
            assert!((found - wanted).abs() < 6e-5, "hour {hour}: {found} for {wanted}");
        }
    }
}

#[test]
fn a_reserve_is_not_used_and_idling_costs() {
    let with = |reserve_kwh, idle_w| {
        let terms = Terms { reserve_kwh, idle_w, power_kw: 2.5, ..Terms::of_size(5.0) };
        what_if(&day(), &terms, Strategy::StoreSurplus).total
    };
    // With 1 kWh in reserve 4 kWh go round: 3.8 come out. The 2.5 kW limit still leaves 0.5 kWh of the seventh hour.
    near(with(1.0, 0.0).discharge_kwh, 3.8, "reserve");
    near(with(1.0, 0.0).import_kwh, 6.4 - 3.8, "reserve");
    // 100 W for 8 hours: 0.4 kWh of it in the hours of surplus comes off the export once the battery is full; the first
    // hour and the last three buy or draw theirs.
    let total = with(0.0, 100.0);
    near(total.import_kwh + total.discharge_kwh, 6.4 + 0.4, "need with idling");
    near(total.export_kwh + total.charge_kwh, 8.9 - 0.4, "surplus with idling");
}

fn outcome(size_kwh: f64) -> Outcome {
    what_if(&day(), &terms(size_kwh, 0.95, 0.95), Strategy::StoreSurplus)
}

#[test]
fn money_is_exact_and_told_for_a_year() {
    // 6.4 x 0.28 - 8.9 x 0.05, and 1.65 x 0.28 - 3.636842 x 0.05 (energy counts to the thousandth of a watt-hour).
    let (none, some) = (outcome(0.0), outcome(5.0));
    assert_eq!(none.bill.unwrap().energy(), money("1.347"));
    assert_eq!(some.bill.unwrap().energy(), money("0.2801579"));
    let saving = some.saving(&none).unwrap();
    assert_eq!(saving, money("1.0668421"));
    assert_eq!(a_year(saving, 8.0), saving * Decimal::from(1095));
    near(some.cycles(), 0.95, "cycles");
    assert_eq!(none.cycles(), 0.0);
}

#[test]
fn payback_of_a_battery_that_delivers_on_250_days() {
    // 4.5 kWh on 250 days, bought at 24.5 p, sent out at 15 p or 4.1 p, 0.9 there and back: 88.13 and 224.38 a year.
    for (export, saving, years) in [("0.15", "88.125", "34.04"), ("0.041", "224.375", "13.37")] {
        let a_kwh = money("0.245") - money(export) / money("0.9");
        let a_year = a_kwh * Decimal::from(1125);
        assert_eq!(a_year.round_dp(6), money(saving));
        assert_eq!(payback_years(Decimal::from(3000), a_year).unwrap().round_dp(2), money(years));
    }
    assert_eq!(payback_years(Decimal::from(3000), Decimal::ZERO), None);
    assert_eq!(payback_years(Decimal::from(3000), money("-1")), None);
}

#[test]
fn what_the_energy_could_have_done() {
    // Litres, kelvin and kilowatt-hours by 4.186 kJ/(kg K), the 15 degree calorie: arithmetic.
    for (litres, kelvin, kwh) in [(120.0, 45.0, 6.279), (150.0, 50.0, 8.721), (300.0, 50.0, 17.442)] {
        assert!((water_litres(kwh, kelvin) - litres).abs() < 0.02);
    }
    near(car_km(36.0), 200.0, "car");
}
