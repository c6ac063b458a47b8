//! Lists of prices that come from outside: half-hourly, hourly, whatever the supplier publishes.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::limits;
use crate::time::{Span, WallTime};

/// What a list of prices is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// What is bought.
    Import,
    /// What is sent out.
    Export,
}

impl Side {
    /// As a home file names it.
    pub fn word(self) -> &'static str {
        match self {
            Side::Import => "import",
            Side::Export => "export",
        }
    }
}

/// One price of a list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Price {
    /// From when it holds.
    pub from: WallTime,
    /// Until when; where not said, until the next of its list, the last for as long as the one before it (a half hour
    /// where it is alone).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<WallTime>,
    /// For a kilowatt-hour, before VAT; may be negative.
    pub price: Decimal,
}

/// The lists of prices that are known.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Prices {
    /// For what is bought.
    pub import: PriceSeries,
    /// For what is sent out.
    pub export: PriceSeries,
}

/// One list of prices, put together from all that came.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct PriceSeries {
    by_start: BTreeMap<WallTime, (WallTime, Decimal)>,
}

impl Prices {
    /// The list of one side.
    pub fn of_mut(&mut self, side: Side) -> &mut PriceSeries {
        match side {
            Side::Import => &mut self.import,
            Side::Export => &mut self.export,
        }
    }
}

impl PriceSeries {
    /// Takes a list over what is known; a later one overrules an earlier one where both say something.
    pub fn take(&mut self, list: &[Price]) {
        let mut list = list.to_vec();
        list.sort_by_key(|p| p.from);
        for (n, price) in list.iter().enumerate() {
            let to = price.to.unwrap_or_else(|| end_of(&list, n));
            if to > price.from && to - price.from <= limits::PRICE_LONGEST {
                self.put(price.from, to, price.price);
            }
        }
        while self.by_start.len() > limits::PRICES {
            self.by_start.pop_first();
        }
    }

    fn put(&mut self, from: WallTime, to: WallTime, price: Decimal) {
        let before = self.by_start.range(..from).next_back().map(|(start, held)| (*start, *held));
        if let Some((start, (end, held))) = before.filter(|(_, (end, _))| *end > from) {
            self.by_start.insert(start, (from, held));
            if end > to {
                self.by_start.insert(to, (end, held));
            }
        }
        let covered: Vec<WallTime> = self.by_start.range(from..to).map(|(start, _)| *start).collect();
        for start in covered {
            let Some((end, held)) = self.by_start.remove(&start) else { continue };
            if end > to {
                self.by_start.insert(to, (end, held));
            }
        }
        self.by_start.insert(from, (to, price));
    }

    /// Forgets what ended before `at`.
    pub fn forget_before(&mut self, at: WallTime) {
        self.by_start.retain(|_, (to, _)| *to > at);
    }

    /// The price at `at`.
    pub fn at(&self, at: WallTime) -> Option<Decimal> {
        let (_, (to, price)) = self.by_start.range(..=at).next_back()?;
        (at < *to).then_some(*price)
    }

    /// The next moment after `at` at which a price begins or ends.
    pub(super) fn next_change(&self, at: WallTime) -> Option<WallTime> {
        let end = self.by_start.range(..=at).next_back().map(|(_, (to, _))| *to).filter(|to| *to > at);
        let start = self.by_start.range(WallTime(at.0 + 1)..).next().map(|(from, _)| *from);
        end.into_iter().chain(start).min()
    }
}

fn end_of(list: &[Price], n: usize) -> WallTime {
    let Some(this) = list.get(n) else { return WallTime(i64::MIN) };
    let next = list.get(n + 1).map(|next| next.from);
    let before = n.checked_sub(1).and_then(|b| list.get(b)).map(|b| this.from - b.from);
    let usual = before.filter(|span| *span <= limits::PRICE_LONGEST).unwrap_or(Span::minutes(30));
    next.filter(|next| *next - this.from <= limits::PRICE_LONGEST).unwrap_or(this.from + usual)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn price(minute: i64, price: i64) -> Price {
        Price { from: WallTime(minute * 60_000), to: None, price: Decimal::from(price) }
    }

    fn at(series: &PriceSeries, minute: i64) -> Option<i64> {
        series.at(WallTime(minute * 60_000)).map(|p| p.try_into().unwrap())
    }

    #[test]
    fn a_price_holds_until_the_next_and_the_last_as_long_as_the_one_before() {
        let mut series = PriceSeries::default();
        series.take(&[price(60, 2), price(0, 1), price(120, -3)]);
        let found: Vec<_> = [-1, 0, 59, 60, 119, 120, 179, 180].map(|m| at(&series, m)).to_vec();
        assert_eq!(found, [None, Some(1), Some(1), Some(2), Some(2), Some(-3), Some(-3), None]);
        let mut alone = PriceSeries::default();
        alone.take(&[price(0, 7)]);
        assert_eq!((at(&alone, 29), at(&alone, 30)), (Some(7), None));
    }

    #[test]
    fn a_later_list_overrules_only_what_it_speaks_of() {
        let mut series = PriceSeries::default();
        series.take(&[price(0, 1), price(60, 1), price(120, 1)]);
        series.take(&[price(30, 5), price(60, 6)]);
        let found: Vec<_> = [0, 30, 60, 89, 90, 120].map(|m| at(&series, m)).to_vec();
        assert_eq!(found, [Some(1), Some(5), Some(6), Some(6), Some(1), Some(1)]);
        assert_eq!(series.next_change(WallTime(60 * 60_000)), Some(WallTime(90 * 60_000)));
    }

    #[test]
    fn a_hole_in_a_list_is_no_price() {
        let mut series = PriceSeries::default();
        series.take(&[price(0, 1), price(30, 2), price(3000, 3)]);
        assert_eq!((at(&series, 59), at(&series, 60)), (Some(2), None));
    }

    #[test]
    fn the_list_stays_bounded() {
        let mut series = PriceSeries::default();
        let long: Vec<Price> = (0..5000).map(|n| price(n * 30, n)).collect();
        series.take(&long);
        assert_eq!(series.by_start.len(), limits::PRICES);
        assert_eq!(at(&series, 4999 * 30), Some(4999), "the newest stay");
    }
}
