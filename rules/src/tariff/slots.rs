//! A stretch of time in slots of one price each.

use rust_decimal::Decimal;

use super::{ImportPrice, Prices, Tariff};
use crate::time::{Span, WallTime};

/// The longest slot: half an hour, by which most markets settle; a slot begins at a whole one of UTC.
const SLOT: Span = Span::minutes(30);

/// A slot of one price.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Slot {
    /// Its beginning.
    pub from: WallTime,
    /// Its end.
    pub to: WallTime,
    /// What a kilowatt-hour bought costs, VAT included; `None` where it is not known.
    pub price: Option<Decimal>,
}

impl Slot {
    /// How long it is.
    pub fn length(&self) -> Span {
        self.to - self.from
    }
}

impl Tariff {
    /// The slots from `from` to `to`; the first and the last may be cut short.
    pub fn slots(&self, from: WallTime, to: WallTime, prices: &Prices) -> Vec<Slot> {
        let mut slots = Vec::new();
        let mut at = from;
        while at < to {
            let end = self.slot_end(at, prices).min(to);
            slots.push(Slot { from: at, to: end, price: self.import_at(at, prices) });
            at = end;
        }
        slots
    }

    /// When the price after `at` may change, at the latest when the half hour ends.
    pub(crate) fn slot_end(&self, at: WallTime, prices: &Prices) -> WallTime {
        let half_hour = half_hour_end(at);
        let change = match &self.terms_at(at).import {
            ImportPrice::Flat(_) => None,
            ImportPrice::Listed => prices.import.next_change(at),
            ImportPrice::Windows(windows) => {
                let minute = WallTime(at.0.div_euclid(60_000) * 60_000);
                let left = ((half_hour - minute).0 / 60_000) as usize;
                windows.changes_within(minute, left).map(|ahead| minute + Span::minutes(ahead as i64))
            }
        };
        let changes = change.into_iter().chain(self.next_terms(at));
        changes.filter(|change| *change > at).fold(half_hour, WallTime::min)
    }
}

/// The end of the half hour in which `at` lies.
pub(crate) fn half_hour_end(at: WallTime) -> WallTime {
    WallTime((at.0.div_euclid(SLOT.0) + 1) * SLOT.0)
}

/// The places of the cheapest of `slots` that together last for `needed`, cheapest first; all of those with a known price
/// where they do not suffice, none where nothing is needed. Of two that cost the same the later one is taken first where
/// `later_first` says so of their price, else the earlier one.
pub(crate) fn cheapest(slots: &[Slot], needed: Span, later_first: impl Fn(Decimal) -> bool) -> Vec<usize> {
    let mut priced: Vec<(Decimal, usize)> =
        slots.iter().enumerate().filter_map(|(n, slot)| Some((slot.price?, n))).collect();
    priced.sort_by(|(a, m), (b, n)| a.cmp(b).then(if later_first(*a) { n.cmp(m) } else { m.cmp(n) }));
    let mut taken = Vec::new();
    let mut left = needed;
    for (_, n) in priced {
        if left <= Span::ZERO {
            break;
        }
        left = left - slots[n].length();
        taken.push(n);
    }
    taken
}
