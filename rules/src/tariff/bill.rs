//! What half hours of energy cost and paid. Sums are exact; rounding is the last step.

use jiff::ToSpan;
use jiff::tz::TimeZone;
use rust_decimal::{Decimal, RoundingStrategy};

use super::{ExportPrice, Prices, Tariff, with_vat};
use crate::time::WallTime;

/// Energy of one half hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalfHour {
    /// Its start.
    pub start: WallTime,
    /// Bought, in kilowatt-hours.
    pub import_kwh: f64,
    /// Sent out, in kilowatt-hours.
    pub export_kwh: f64,
    /// Generated, in kilowatt-hours.
    pub solar_kwh: f64,
}

/// What it came to, exactly, in the currency's own unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Bill {
    /// For energy bought, VAT included, without the standing charge.
    pub import: Decimal,
    /// Standing charges, VAT included.
    pub standing: Decimal,
    /// Paid for energy sent out; below 0 where it cost.
    pub export: Decimal,
    /// Paid for energy generated.
    pub generation: Decimal,
    /// Energy bought or sent out for which no price is known, in kilowatt-hours.
    pub unpriced_kwh: Decimal,
}

/// Energy is counted to the thousandth of a watt-hour; a float's further digits are no measurement.
const KWH_DIGITS: u32 = 6;

pub(crate) fn kwh(energy: f64) -> Decimal {
    // What is no number counts as nothing; energies of half hours are far from the ends of an i64.
    Decimal::new((energy * 10_f64.powi(KWH_DIGITS as i32)).round() as i64, KWH_DIGITS)
}

impl Bill {
    /// What the energy came to: paid for what was bought, less what was earned. Without the standing charge.
    pub fn energy(&self) -> Decimal {
        self.import - self.export - self.generation
    }

    /// This bill less an earlier state of the same.
    pub fn since(&self, earlier: &Bill) -> Bill {
        Bill {
            import: self.import - earlier.import,
            standing: self.standing - earlier.standing,
            export: self.export - earlier.export,
            generation: self.generation - earlier.generation,
            unpriced_kwh: self.unpriced_kwh - earlier.unpriced_kwh,
        }
    }

    /// A total as it is paid: rounded once to hundredths, halves away from 0.
    pub fn rounded(total: Decimal) -> Decimal {
        total.round_dp_with_strategy(2, RoundingStrategy::MidpointAwayFromZero)
    }
}

impl Tariff {
    /// Adds a half hour to a bill, at the prices of its start.
    pub fn charge(&self, bill: &mut Bill, half_hour: &HalfHour, prices: &Prices) {
        let HalfHour { start, import_kwh, export_kwh, solar_kwh } = half_hour;
        let (import, export, solar) = (kwh(*import_kwh), kwh(*export_kwh), kwh(*solar_kwh));
        match self.import_at(*start, prices) {
            Some(price) => bill.import += import * price,
            None => bill.unpriced_kwh += import,
        }
        let terms = self.terms_at(*start);
        match (&terms.export, self.export_at(*start, prices)) {
            (ExportPrice::Deemed { share_percent, price }, _) => {
                bill.export += solar * share_percent / Decimal::ONE_HUNDRED * price;
            }
            (_, Some(price)) => bill.export += export * price,
            (_, None) => bill.unpriced_kwh += export,
        }
        bill.generation += solar * terms.generation;
    }

    /// Adds the standing charge of every local day of `zone` that begins from `from` until before `to`.
    pub fn charge_days(&self, bill: &mut Bill, zone: &TimeZone, from: WallTime, to: WallTime) {
        let Some(first) = from.in_zone(zone) else { return };
        let mut date = first.date();
        loop {
            let Ok(start) = date.to_zoned(zone.clone()) else { return };
            let start = WallTime(start.timestamp().as_millisecond());
            if start >= to {
                return;
            }
            if start >= from {
                let terms = self.terms_at(start);
                bill.standing += with_vat(terms.standing_per_day, terms);
            }
            let Ok(next) = date.checked_add(1.day()) else { return };
            date = next;
        }
    }
}
