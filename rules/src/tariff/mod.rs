//! What a kilowatt-hour costs and pays, at any moment. Rules and reports use the same code.
//!
//! Money is exact: prices are decimals, sums are exact, and a total is rounded once, at the end. Prices are in the
//! currency's own unit for a kilowatt-hour. Those of the home file are before value added tax (VAT) where `vat_percent` is
//! given; what is paid for energy sent out or generated bears none.

mod bill;
mod plan;
mod prices;
mod slots;
mod windows;

use rust_decimal::Decimal;

pub(crate) use bill::kwh;
pub use bill::{Bill, HalfHour};
pub(crate) use plan::{Does, Need, Plan};
pub use prices::{Price, PriceSeries, Prices, Side};
pub use slots::Slot;
pub(crate) use slots::{cheapest, half_hour_end};
pub use windows::{Window, WindowMistake, Windows};

use crate::time::WallTime;

/// What the household pays and is paid.
#[derive(Debug, Clone, PartialEq)]
pub struct Tariff {
    /// The currency, by its ISO 4217 code.
    pub currency: String,
    /// The terms, oldest first; each holds from its moment until the next. The first holds since ever.
    terms: Vec<(WallTime, Terms)>,
}

/// Terms that hold for a time.
#[derive(Debug, Clone, PartialEq)]
pub struct Terms {
    /// Value added tax on what is bought, in percent; 0 where the prices include it.
    pub vat_percent: Decimal,
    /// Standing charge for a day, before VAT.
    pub standing_per_day: Decimal,
    /// What a kilowatt-hour bought costs, before VAT.
    pub import: ImportPrice,
    /// What is paid for energy sent out.
    pub export: ExportPrice,
    /// What is paid for a kilowatt-hour generated, used or not.
    pub generation: Decimal,
}

/// What a kilowatt-hour bought costs.
#[derive(Debug, Clone, PartialEq)]
pub enum ImportPrice {
    /// Always the same.
    Flat(Decimal),
    /// By the time of day and the day of the week.
    Windows(Windows),
    /// By a list of prices that comes from outside.
    Listed,
}

/// What is paid for energy sent out.
#[derive(Debug, Clone, PartialEq)]
pub enum ExportPrice {
    /// Nothing.
    Unpaid,
    /// Each kilowatt-hour that the meter counts, always the same; it may cost (below 0).
    Flat(Decimal),
    /// Each kilowatt-hour that the meter counts, by a list of prices that comes from outside.
    Listed,
    /// A share of what is generated is taken to be sent out, whatever the meter counts.
    Deemed {
        /// The share of generation, in percent.
        share_percent: Decimal,
        /// Paid for a kilowatt-hour.
        price: Decimal,
    },
}

impl Tariff {
    /// Terms that hold `since` ever, and those of each later moment, in any order.
    pub fn new(currency: String, since: Terms, changes: Vec<(WallTime, Terms)>) -> Tariff {
        let mut terms = vec![(WallTime(i64::MIN), since)];
        terms.extend(changes);
        terms.sort_by_key(|(from, _)| *from);
        Tariff { currency, terms }
    }

    /// The terms that hold at `at`.
    pub fn terms_at(&self, at: WallTime) -> &Terms {
        let next = self.terms.partition_point(|(from, _)| *from <= at);
        &self.terms[next.saturating_sub(1)].1
    }

    /// When other terms hold next.
    fn next_terms(&self, at: WallTime) -> Option<WallTime> {
        self.terms.iter().map(|(from, _)| *from).find(|from| *from > at)
    }

    /// What a kilowatt-hour bought at `at` costs, VAT included; `None` where no price is known.
    pub fn import_at(&self, at: WallTime, prices: &Prices) -> Option<Decimal> {
        let terms = self.terms_at(at);
        let before_vat = match &terms.import {
            ImportPrice::Flat(price) => *price,
            ImportPrice::Windows(windows) => windows.at(at)?,
            ImportPrice::Listed => prices.import.at(at)?,
        };
        Some(with_vat(before_vat, terms))
    }

    /// What a kilowatt-hour more sent out at `at` pays: 0 where it is not paid by the meter. `None` where no price is
    /// known.
    pub fn export_at(&self, at: WallTime, prices: &Prices) -> Option<Decimal> {
        match &self.terms_at(at).export {
            ExportPrice::Unpaid | ExportPrice::Deemed { .. } => Some(Decimal::ZERO),
            ExportPrice::Flat(price) => Some(*price),
            ExportPrice::Listed => prices.export.at(at),
        }
    }
}

impl Tariff {
    /// Whether any of its terms take the prices of `side` from a list.
    pub fn is_listed(&self, side: Side) -> bool {
        self.terms.iter().any(|(_, terms)| match side {
            Side::Import => terms.import == ImportPrice::Listed,
            Side::Export => terms.export == ExportPrice::Listed,
        })
    }
}

fn with_vat(price: Decimal, terms: &Terms) -> Decimal {
    price * (Decimal::ONE_HUNDRED + terms.vat_percent) / Decimal::ONE_HUNDRED
}
