//! What the span cost and earned, by day and in all, with the tariff code that rules use.

use super::halves::{EXPORT, Half, IMPORT, SOLAR};
use super::history::History;
use crate::home::Home;
use crate::tariff::{Bill, HalfHour, Price, Prices, Side, Tariff};
use crate::time::WallTime;

/// A list of prices with the time from which it is known.
#[derive(Debug, Clone, PartialEq)]
pub struct PriceNews {
    /// From here on it is needed; lists come in this order.
    pub at: WallTime,
    /// What it is for.
    pub side: Side,
    /// The prices.
    pub prices: Vec<Price>,
}

/// Cost and income.
#[derive(Debug, Clone, PartialEq)]
pub struct Money {
    /// ISO 4217 code.
    pub currency: String,
    /// The whole span.
    pub bill: Bill,
    /// Each local day, in the order of the report's days.
    pub days: Vec<Bill>,
}

pub(super) fn money(
    home: &Home,
    history: &History,
    halves: &[Half],
    tariff: &Tariff,
    news: &[PriceNews],
) -> Money {
    let (from, to) = history.span();
    let mut news = news.iter().peekable();
    let (mut prices, mut bill, mut days) = (Prices::default(), Bill::default(), Vec::new());
    for day in &history.days {
        let before = bill;
        let first = history.slots.get(day.slots.0).map_or(from, |slot| slot.start);
        let end = history.slots.get(day.slots.1).map_or(to, |slot| slot.start);
        while let Some(list) = news.next_if(|list| list.at < end) {
            prices.of_mut(list.side).take(&list.prices);
        }
        for place in day.slots.0..day.slots.1 {
            let (Some(slot), Some(half)) = (history.slots.get(place), halves.get(place)) else { continue };
            let [import, export, solar] = [IMPORT, EXPORT, SOLAR].map(|flow| half.cells[flow].kwh);
            if import != 0.0 || export != 0.0 || solar != 0.0 {
                let energy = HalfHour {
                    start: slot.start,
                    import_kwh: import,
                    export_kwh: export,
                    solar_kwh: solar.max(0.0),
                };
                tariff.charge(&mut bill, &energy, &prices);
            }
        }
        tariff.charge_days(&mut bill, &home.timezone, first, end);
        days.push(bill.since(&before));
    }
    Money { currency: tariff.currency.clone(), bill, days }
}
