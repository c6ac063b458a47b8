//! The prices that a tariff takes from lists, over a span that is past: those of the journal, and those of files where the
//! journal has none.

use std::collections::BTreeMap;

use overspill_rules::payload::price_file;
use overspill_rules::tariff::{Price, Side, Tariff};
use overspill_rules::time::{Span, WallTime};

use crate::config::PriceFile;
use crate::store::{StoreError, StoreReader};

/// A price holds no longer than this.
pub(crate) const LONGEST: Span = Span::hours(24);

/// One side's list.
#[derive(Debug)]
pub(crate) struct List {
    pub(crate) side: Side,
    /// Those that may hold in the span, by their beginning, each beginning once.
    pub(crate) prices: Vec<Price>,
}

/// The lists of a tariff, and what is to be said of where they come from.
#[derive(Debug, Default)]
pub(crate) struct Found {
    pub(crate) lists: Vec<List>,
    pub(crate) notes: Vec<String>,
}

/// Finds them. `own` says whether `tariff` is the home's own, of which the journal may hold prices.
///
/// # Errors
/// When the journal can't be read; a file that can't be read is a note.
pub(crate) fn past_prices(
    journal: &StoreReader,
    tariff: &Tariff,
    files: &[PriceFile],
    own: bool,
    (from, to): (WallTime, WallTime),
) -> Result<Found, StoreError> {
    let mut found = Found::default();
    let listed: Vec<Side> =
        [Side::Import, Side::Export].into_iter().filter(|side| tariff.is_listed(*side)).collect();
    if listed.is_empty() {
        return Ok(found);
    }
    let recorded = if own { journal.prices(from, to)? } else { Vec::new() };
    for side in listed {
        let of_side = recorded.iter().filter(|(of, _)| *of == side);
        let mut prices: Vec<Price> = of_side.flat_map(|(_, list)| list.clone()).collect();
        if prices.is_empty()
            && let Some(file) = files.iter().find(|file| file.side == side)
        {
            match read(file) {
                Ok(list) => {
                    prices = list;
                    let (side, path) = (side.word(), file.path.display());
                    found.notes.push(match own {
                        true => format!("The record has no {side} prices; those of {path} are used."),
                        false => format!("The {side} prices are those of {path}."),
                    });
                }
                Err(why) => found.notes.push(why),
            }
        }
        prices.retain(|price| price.from + LONGEST > from && price.from < to);
        found.lists.push(List { side, prices: each_once(prices) });
    }
    Ok(found)
}

fn read(file: &PriceFile) -> Result<Vec<Price>, String> {
    let path = file.path.display();
    let text = std::fs::read_to_string(&file.path).map_err(|why| format!("{path} can't be read: {why}."))?;
    price_file(&text).map_err(|why| format!("{path}: {why}."))
}

/// By their beginning; of several with the same one the last to come holds.
fn each_once(prices: Vec<Price>) -> Vec<Price> {
    let by_start: BTreeMap<WallTime, Price> = prices.into_iter().map(|price| (price.from, price)).collect();
    by_start.into_values().collect()
}
