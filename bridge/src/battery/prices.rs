//! Prices along the record: those of the journal, and those of files where the journal has none.

use std::collections::BTreeMap;

use overspill_rules::payload::price_file;
use overspill_rules::tariff::{Price, Prices, Side, Tariff};
use overspill_rules::time::{Span, WallTime};

use crate::config::PriceFile;
use crate::store::{StoreError, StoreReader};

/// A price holds no longer; and so much of a list is taken at a time, since a year is more than a tariff holds at once.
const DAY: Span = Span::hours(24);

/// The lists that a tariff takes its prices from, and how far they were taken.
#[derive(Debug, Default)]
pub(super) struct Lists {
    sides: Vec<List>,
    known: Prices,
    /// Where prices come from, or why they can't be had.
    pub(super) notes: Vec<String>,
}

#[derive(Debug)]
struct List {
    side: Side,
    /// By their beginning, each once.
    prices: Vec<Price>,
    taken: usize,
}

impl Lists {
    pub(super) fn new(
        journal: &StoreReader,
        tariff: Option<&Tariff>,
        files: &[PriceFile],
        (from, to): (WallTime, WallTime),
    ) -> Result<Lists, StoreError> {
        let mut lists = Lists::default();
        for side in [Side::Import, Side::Export] {
            if !tariff.is_some_and(|tariff| tariff.is_listed(side)) {
                continue;
            }
            let recorded = journal.prices(from, to)?;
            let own = recorded.into_iter().filter(|(of, _)| *of == side).flat_map(|(_, list)| list);
            let mut prices: Vec<Price> = own.collect();
            if prices.is_empty() {
                prices = lists.of_file(side, files);
            }
            prices.retain(|price| price.from + DAY > from && price.from < to);
            lists.sides.push(List { side, prices: each_once(prices), taken: 0 });
        }
        Ok(lists)
    }

    fn of_file(&mut self, side: Side, files: &[PriceFile]) -> Vec<Price> {
        let Some(file) = files.iter().find(|file| file.side == side) else { return Vec::new() };
        let (path, word) = (file.path.display(), side.word());
        let read = std::fs::read_to_string(&file.path)
            .map_err(|why| format!("{path} can't be read: {why}."))
            .and_then(|text| price_file(&text).map_err(|why| format!("{path}: {why}.")));
        let (prices, note) = match read {
            Ok(prices) => (prices, format!("The record has no {word} prices; those of {path} are used.")),
            Err(why) => (Vec::new(), why),
        };
        self.notes.push(note);
        prices
    }

    /// What holds at `at`; times are asked for in order.
    pub(super) fn at(&mut self, at: WallTime) -> &Prices {
        for list in &mut self.sides {
            let left = list.prices.get(list.taken..).unwrap_or_default();
            if left.first().is_some_and(|next| next.from <= at) {
                let due = left.partition_point(|price| price.from <= at + DAY);
                self.known.of_mut(list.side).take(left.get(..due).unwrap_or_default());
                list.taken += due;
            }
        }
        &self.known
    }
}

/// By their beginning; of several with the same one the last holds.
fn each_once(prices: Vec<Price>) -> Vec<Price> {
    let by_start: BTreeMap<WallTime, Price> = prices.into_iter().map(|price| (price.from, price)).collect();
    by_start.into_values().collect()
}
