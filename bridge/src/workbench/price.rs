//! The prices that a supplier published, in a test: a list for each side, known from the start.

use overspill_rules::input::Input;
use overspill_rules::tariff::{Price, Side};
use overspill_rules::time::{Span, WallTime};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;

use super::case::Given;
use super::series::{Says, Series};

/// Most markets settle by the half hour.
const HALF_HOUR: Span = Span::minutes(30);

/// So far beyond the end of a test prices are known: rules look ahead to a deadline.
const AHEAD: Span = Span::hours(36);

/// The lists that the test gives.
pub(crate) fn lists(given: &Given, start: WallTime, lasts: Span) -> Vec<Input> {
    let one = |side, series: &Option<Series>| {
        let prices = list(series.as_ref()?, start, lasts + AHEAD);
        Some(Input::Prices { side, prices })
    };
    let both = [one(Side::Import, &given.import_price), one(Side::Export, &given.export_price)];
    both.into_iter().flatten().collect()
}

/// A price for each half hour, as it stands at its beginning; none while the series is silent.
fn list(series: &Series, start: WallTime, lasts: Span) -> Vec<Price> {
    let mut prices = Vec::new();
    let mut from = WallTime(start.0.div_euclid(HALF_HOUR.0) * HALF_HOUR.0);
    while from < start + lasts {
        let to = from + HALF_HOUR;
        if let Says::Value(value) = series.at((from - start).0.max(0))
            && let Some(price) = Decimal::from_f64(value)
        {
            prices.push(Price { from, to: Some(to), price: price.round_dp(6) });
        }
        from = to;
    }
    prices
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn each_half_hour_has_the_price_of_its_beginning_and_a_silent_one_has_none() {
        let series = Series::parse("0.2 for 1h, silent for 30m, -0.05").unwrap();
        let start = WallTime(10 * HALF_HOUR.0);
        let list = list(&series, start, Span::hours(2) + Span::minutes(30));
        let found: Vec<_> =
            list.iter().map(|p| ((p.from - start).0 / HALF_HOUR.0, p.price.to_string())).collect();
        let wanted = [(0, "0.2"), (1, "0.2"), (3, "-0.05"), (4, "-0.05")];
        assert_eq!(found, wanted.map(|(n, price)| (n, price.to_owned())));
    }
}
