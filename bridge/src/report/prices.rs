//! Lists of prices as a report takes them: for each local day, since a year of prices is more than the tariff holds at once.

use jiff::tz::TimeZone;
use overspill_rules::answers::report::PriceNews;

use crate::prices::List;

/// The lists of both sides, day by day in order of time.
pub(super) fn by_day(lists: Vec<List>, zone: &TimeZone) -> Vec<PriceNews> {
    let mut all = Vec::new();
    for List { side, prices } in lists {
        let mut day = None;
        for price in prices {
            let date = price.from.in_zone(zone).map(|local| local.date());
            match all.last_mut() {
                Some(PriceNews { side: same, prices, .. }) if *same == side && day == date => {
                    prices.push(price);
                }
                _ => all.push(PriceNews { at: price.from, side, prices: vec![price] }),
            }
            day = date;
        }
    }
    all.sort_by_key(|news| news.at);
    all
}
