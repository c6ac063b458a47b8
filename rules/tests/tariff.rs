//! What half hours of energy come to: exact, right across clock changes and changes of terms, rounded once.
#![allow(missing_docs, clippy::unwrap_used)]

use jiff::Timestamp;
use jiff::tz::TimeZone;
use overspill_rules::tariff::{
    Bill, ExportPrice, HalfHour, ImportPrice, Price, Prices, Side, Tariff, Terms, Window, Windows,
};
use overspill_rules::time::{Span, WallTime};
use proptest::prelude::*;
use rust_decimal::Decimal;

fn money(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn wall(text: &str) -> WallTime {
    WallTime(text.parse::<Timestamp>().unwrap().as_millisecond())
}

fn london() -> TimeZone {
    TimeZone::get("Europe/London").unwrap()
}

fn flat(import: &str) -> Terms {
    Terms {
        vat_percent: money("5"),
        standing_per_day: money("0.50"),
        import: ImportPrice::Flat(money(import)),
        export: ExportPrice::Flat(money("0.15")),
        generation: Decimal::ZERO,
    }
}

fn night(zone: TimeZone) -> Terms {
    let window = Window { from: 30, to: 330, days: [true; 7], price: money("0.10") };
    let windows = Windows::new(zone, Some(money("0.30")), &[window]).unwrap();
    Terms { vat_percent: Decimal::ZERO, import: ImportPrice::Windows(windows), ..flat("0") }
}

fn half_hour(start: WallTime, import_kwh: f64, export_kwh: f64) -> HalfHour {
    HalfHour { start, import_kwh, export_kwh, solar_kwh: 2.0 * export_kwh }
}

/// One kilowatt-hour bought in each half hour of a local day of London.
fn day(tariff: &Tariff, date: &str, prices: &Prices) -> Bill {
    let noon = format!("{date}T12:00:00Z").parse::<Timestamp>().unwrap().to_zoned(london());
    let at = |z: jiff::Zoned| WallTime(z.timestamp().as_millisecond());
    let (mut start, end) =
        (at(noon.start_of_day().unwrap()), at(noon.tomorrow().unwrap().start_of_day().unwrap()));
    let mut bill = Bill::default();
    tariff.charge_days(&mut bill, &london(), start, end);
    while start < end {
        tariff.charge(&mut bill, &half_hour(start, 1.0, 0.0), prices);
        start = start + Span::minutes(30);
    }
    bill
}

#[test]
fn a_night_rate_holds_eight_ten_or_twelve_half_hours() {
    let tariff = Tariff::new("GBP".into(), night(london()), vec![]);
    // 46, 48 and 50 half hours in all; the others cost 0.30.
    for (date, total) in [("2026-03-29", "12.20"), ("2026-06-01", "12.40"), ("2026-10-25", "12.60")] {
        assert_eq!(day(&tariff, date, &Prices::default()).import, money(total), "{date}");
    }
    // A meter on winter time has ten each day, whatever the household's clock does.
    let winter = Tariff::new("GBP".into(), night(TimeZone::UTC), vec![]);
    for (date, total) in [("2026-03-29", "11.80"), ("2026-06-01", "12.40"), ("2026-10-25", "13.00")] {
        assert_eq!(day(&winter, date, &Prices::default()).import, money(total), "{date}");
    }
}

#[test]
fn vat_is_on_what_is_bought_and_each_day_has_one_standing_charge() {
    let tariff = Tariff::new("GBP".into(), flat("0.2734"), vec![]);
    for date in ["2026-03-29", "2026-06-01", "2026-10-25"] {
        assert_eq!(day(&tariff, date, &Prices::default()).standing, money("0.525"), "{date}");
    }
    let mut bill = Bill::default();
    tariff.charge(&mut bill, &half_hour(wall("2026-06-01T00:00:00Z"), 3.0, 2.0), &Prices::default());
    assert_eq!((bill.import, bill.export), (money("0.86121"), money("0.30")));
}

#[test]
fn rounding_is_the_last_step() {
    let tariff = Tariff::new("GBP".into(), Terms { vat_percent: Decimal::ZERO, ..flat("0.004") }, vec![]);
    let mut bill = Bill::default();
    for n in 0..10 {
        let start = wall("2026-06-01T00:00:00Z") + Span::minutes(30 * n);
        tariff.charge(&mut bill, &half_hour(start, 1.0, 0.0), &Prices::default());
    }
    assert_eq!(Bill::rounded(bill.import), money("0.04"), "rounded each, they would come to nothing");
    assert_eq!(
        (Bill::rounded(money("0.125")), Bill::rounded(money("-0.125"))),
        (money("0.13"), money("-0.13"))
    );
}

#[test]
fn other_terms_hold_from_the_beginning_of_their_date() {
    let from = wall("2026-06-01T23:00:00Z");
    let tariff = Tariff::new("GBP".into(), flat("0.30"), vec![(from, flat("0.20"))]);
    let none = Prices::default();
    assert_eq!(tariff.import_at(from + Span(-1), &none), Some(money("0.315")));
    assert_eq!(tariff.import_at(from, &none), Some(money("0.21")));
    let slots = tariff.slots(from + Span::minutes(-10), from + Span::minutes(10), &none);
    assert_eq!(
        slots.iter().map(|s| s.price).collect::<Vec<_>>(),
        [Some(money("0.315")), Some(money("0.21"))]
    );
}

#[test]
fn export_is_paid_as_agreed() {
    let start = wall("2026-06-01T12:00:00Z");
    let paid = |export: ExportPrice, generation: &str, prices: &Prices| {
        let tariff =
            Tariff::new("GBP".into(), Terms { export, generation: money(generation), ..flat("0.3") }, vec![]);
        let mut bill = Bill::default();
        // 2 kWh sent out of 4 generated.
        tariff.charge(&mut bill, &half_hour(start, 0.0, 2.0), prices);
        (bill.export, bill.generation, tariff.export_at(start, prices), bill.unpriced_kwh)
    };
    let none = Prices::default();
    let zero = Decimal::ZERO;
    assert_eq!(paid(ExportPrice::Unpaid, "0", &none), (zero, zero, Some(zero), zero));
    let deemed = ExportPrice::Deemed { share_percent: money("50"), price: money("0.05") };
    assert_eq!(
        paid(deemed, "0.2", &none),
        (money("0.10"), money("0.8"), Some(zero), zero),
        "one more pays nothing"
    );
    assert_eq!(paid(ExportPrice::Listed, "0", &none), (zero, zero, None, money("2")));
    let mut prices = Prices::default();
    prices.of_mut(Side::Export).take(&[Price { from: start, to: None, price: money("-0.02") }]);
    assert_eq!(paid(ExportPrice::Listed, "0", &prices).0, money("-0.04"), "sending out may cost");
}

proptest! {
    #[test]
    fn slots_cover_the_whole_span_each_with_the_price_of_every_moment_in_it(
        start in 1_770_000_000_000_i64..1_800_000_000_000,
        minutes in 1_i64..3000,
        from in 0_u16..1440,
        length in 1_u16..1440,
        days in proptest::array::uniform7(any::<bool>()),
    ) {
        let window = Window { from, to: (from + length - 1) % 1440 + 1, days, price: money("0.1") };
        let windows = Windows::new(london(), Some(money("0.3")), &[window]).unwrap();
        let terms = Terms { import: ImportPrice::Windows(windows), ..flat("0") };
        let tariff = Tariff::new("GBP".into(), terms, vec![]);
        let (from, to) = (WallTime(start), WallTime(start) + Span::minutes(minutes));
        let none = Prices::default();
        let slots = tariff.slots(from, to, &none);
        prop_assert_eq!(slots.first().map(|s| s.from), Some(from));
        prop_assert_eq!(slots.last().map(|s| s.to), Some(to));
        for pair in slots.windows(2) {
            prop_assert_eq!(pair[0].to, pair[1].from);
        }
        for slot in &slots {
            prop_assert!(slot.from < slot.to && slot.length() <= Span::minutes(30));
            for at in [slot.from, WallTime(slot.from.0 / 2 + slot.to.0 / 2), slot.to + Span(-1)] {
                prop_assert_eq!(tariff.import_at(at, &none), slot.price);
            }
        }
    }
}
