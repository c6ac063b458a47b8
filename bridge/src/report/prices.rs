//! Prices of a span: those of the journal, and those of files where the journal has none.

use jiff::tz::TimeZone;
use overspill_rules::answers::report::PriceNews;
use overspill_rules::payload::price_file;
use overspill_rules::tariff::{Price, Side, Tariff};
use overspill_rules::time::{Span, WallTime};

use crate::config::PriceFile;
use crate::store::{StoreError, StoreReader};

/// Price lists that are needed, day by day, and what is to be said of where they come from.
pub(super) struct Found {
    pub(super) news: Vec<PriceNews>,
    pub(super) notes: Vec<String>,
}

/// The prices that `tariff` takes from lists. `own` says whether it is the home's own, of which the journal may hold
/// prices.
pub(super) fn prices(
    journal: &StoreReader,
    tariff: &Tariff,
    files: &[PriceFile],
    own: bool,
    (from, to): (WallTime, WallTime),
    zone: &TimeZone,
) -> Result<Found, StoreError> {
    let mut found = Found { news: Vec::new(), notes: Vec::new() };
    let listed: Vec<Side> =
        [Side::Import, Side::Export].into_iter().filter(|side| tariff.is_listed(*side)).collect();
    if listed.is_empty() {
        return Ok(found);
    }
    let recorded = if own { journal.prices(from, to)? } else { Vec::new() };
    for side in listed {
        let mut prices: Vec<Price> =
            recorded.iter().filter(|(of, _)| *of == side).flat_map(|(_, list)| list.clone()).collect();
        let file = files.iter().find(|file| file.side == side).filter(|_| prices.is_empty());
        if let Some(file) = file {
            match read(file) {
                Ok(list) => prices = list,
                Err(why) => found.notes.push(why),
            }
            let side = side.word();
            found.notes.push(format!("The {side} prices are those of {}.", file.path.display()));
        }
        found.news.extend(by_day(side, prices, (from, to), zone));
    }
    found.news.sort_by_key(|news| news.at);
    Ok(found)
}

fn read(file: &PriceFile) -> Result<Vec<Price>, String> {
    let path = file.path.display();
    let text = std::fs::read_to_string(&file.path).map_err(|why| format!("{path} can't be read: {why}."))?;
    price_file(&text).map_err(|why| format!("{path}: {why}."))
}

/// A list for each local day, since a year of prices is more than the tariff holds at once.
fn by_day(
    side: Side,
    mut prices: Vec<Price>,
    (from, to): (WallTime, WallTime),
    zone: &TimeZone,
) -> Vec<PriceNews> {
    // A price reaches at most a day past its beginning. The order of arrival stays among those of one time: the last holds.
    prices.retain(|price| price.from + Span::hours(24) > from && price.from < to);
    prices.sort_by_key(|price| price.from);
    let mut days: Vec<(Option<jiff::civil::Date>, PriceNews)> = Vec::new();
    for price in prices {
        let date = price.from.in_zone(zone).map(|local| local.date());
        match days.last_mut() {
            Some((same, news)) if *same == date => news.prices.push(price),
            _ => days.push((date, PriceNews { at: price.from, side, prices: vec![price] })),
        }
    }
    days.into_iter().map(|(_, news)| news).collect()
}
