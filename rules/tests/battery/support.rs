//! Series and tariffs for the tests.

use jiff::tz::TimeZone;
use overspill_rules::answers::battery::{Observed, Series};
use overspill_rules::tariff::{ExportPrice, ImportPrice, Prices, Tariff, Terms, Window, Windows};
use overspill_rules::time::{Span, WallTime};
use rust_decimal::Decimal;

/// A midnight by UTC, 2008-01-01.
pub(crate) const NEW_YEAR: WallTime = WallTime(1_199_145_600_000);

pub(crate) fn money(text: &str) -> Decimal {
    text.parse().unwrap()
}

fn tariff(import: ImportPrice, export: &str) -> Tariff {
    let terms = Terms {
        vat_percent: Decimal::ZERO,
        standing_per_day: Decimal::ZERO,
        import,
        export: ExportPrice::Flat(money(export)),
        generation: Decimal::ZERO,
    };
    Tariff::new("GBP".to_owned(), terms, Vec::new())
}

/// 0.28 at all times.
pub(crate) fn flat(export: &str) -> Tariff {
    tariff(ImportPrice::Flat(money("0.28")), export)
}

/// 0.12 in hours 0 to 3, 0.45 in hours 16 to 18, 0.28 else, by UTC.
pub(crate) fn by_time(export: &str) -> Tariff {
    let window = |from: u16, to: u16, price| Window {
        from: from * 60,
        to: to * 60,
        days: [true; 7],
        price: money(price),
    };
    let windows = [window(0, 4, "0.12"), window(16, 19, "0.45")];
    let windows = Windows::new(TimeZone::UTC, Some(money("0.28")), &windows).unwrap();
    tariff(ImportPrice::Windows(windows), export)
}

/// One after the other from the new year on, each `(hours, import, export)`.
pub(crate) fn series(tariff: Option<Tariff>, rows: &[(f64, f64, f64)]) -> Series {
    let mut series = Series::new(TimeZone::UTC, tariff);
    for (n, (hours, import_kwh, export_kwh)) in rows.iter().enumerate() {
        let start = NEW_YEAR + Span::minutes(30 * n as i64);
        let seen = Observed {
            start,
            hours: *hours,
            import_kwh: *import_kwh,
            export_kwh: *export_kwh,
            solar_kwh: 0.0,
        };
        series.push(&seen, &Prices::default());
    }
    series
}
