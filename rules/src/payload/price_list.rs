//! A list of prices, as a message or as a file.

use std::str::FromStr;

use rust_decimal::Decimal;
use serde_json::Value;

use super::json::{self, kind};
use super::number::quoted;
use super::time::rfc3339;
use crate::limits;
use crate::tariff::Price;
use crate::time::WallTime;

/// Reads `[{"from": T, "price": 0.21}, ..]`; each may say `to` as well. T is RFC 3339 with an offset; a price is a number
/// or a text, in the currency's own unit for a kilowatt-hour.
///
/// # Errors
/// What is wrong, in a sentence.
pub fn price_list(payload: &[u8]) -> Result<Vec<Price>, String> {
    if payload.len() > limits::PAYLOAD_BYTES {
        return Err(format!("the message has {} bytes, more than {}", payload.len(), limits::PAYLOAD_BYTES));
    }
    let text = std::str::from_utf8(payload).map_err(|_| "the message is not text".to_owned())?;
    let items = match json::parse(text)? {
        Value::Array(items) => items,
        other => {
            return Err(format!(
                "prices are a JSON list such as [{{\"from\": \"2026-06-01T00:00:00Z\", \"price\": 0.21}}], and this is {}",
                kind(&other)
            ));
        }
    };
    let each = items.iter().enumerate();
    each.map(|(n, item)| price(item).map_err(|why| format!("price {} of the list: {why}", n + 1))).collect()
}

fn price(item: &Value) -> Result<Price, String> {
    let time = |key: &str| match item.get(key) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::String(text)) => rfc3339(text).map(Some),
        Some(other) => Err(format!("`{key}` is {}, not a time", kind(other))),
    };
    let from = time("from")?.ok_or("`from` is missing")?;
    let price = match item.get("price") {
        Some(Value::Number(number)) => amount(&number.to_string())?,
        Some(Value::String(text)) => amount(text)?,
        Some(other) => return Err(format!("`price` is {}, not a number", kind(other))),
        None => return Err("`price` is missing".to_owned()),
    };
    checked(Price { from, to: time("to")?, price })
}

/// Reads a file of prices: a header `from,price` (`to` as well, in any order), then a line for each.
///
/// # Errors
/// The line that is wrong, and why.
pub fn price_file(text: &str) -> Result<Vec<Price>, String> {
    let mut lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    let header: Vec<&str> = lines.next().map_or(vec![], |(_, line)| line.split(',').map(str::trim).collect());
    let column = |name: &str| header.iter().position(|h| *h == name);
    let (Some(from), Some(price)) = (column("from"), column("price")) else {
        return Err("the first line must be a header with the columns `from` and `price`".to_owned());
    };
    let to = column("to");
    let each = lines.map(|(n, line)| {
        let cells: Vec<&str> = line.split(',').map(str::trim).collect();
        let cell = |at: usize| cells.get(at).copied().unwrap_or_default();
        let read = || {
            let to = to.map(cell).filter(|text| !text.is_empty()).map(rfc3339).transpose()?;
            checked(Price { from: rfc3339(cell(from))?, to, price: amount(cell(price))? })
        };
        read().map_err(|why| format!("line {}: {why}", n + 1))
    });
    each.collect()
}

fn amount(text: &str) -> Result<Decimal, String> {
    let text = text.trim();
    let number = Decimal::from_str(text).or_else(|_| Decimal::from_scientific(text));
    number.map_err(|_| format!("the price {} is no number", quoted(text)))
}

fn checked(price: Price) -> Result<Price, String> {
    if price.to.is_some_and(|to| to <= price.from) {
        return Err("`to` is not after `from`".to_owned());
    }
    if price.price.abs() > Decimal::from(limits::PRICE_AT_MOST) {
        return Err(format!(
            "the price {} is beyond {}; prices are for a kilowatt-hour",
            price.price,
            limits::PRICE_AT_MOST
        ));
    }
    if price.from < WallTime(0) {
        return Err("`from` is before 1970".to_owned());
    }
    Ok(price)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_message_and_a_file_say_the_same() {
        let message = r#"[{"from": "2026-06-01T00:00:00Z", "price": 0.2110}, {"from": "2026-06-01T01:30:00+01:00", "price": "-0.05"}]"#;
        let file = "price,from\n0.2110,2026-06-01T00:00:00Z\n-0.05, 2026-06-01T01:30:00+01:00\n\n";
        let read = price_list(message.as_bytes()).unwrap();
        assert_eq!(read, price_file(file).unwrap());
        assert_eq!(
            (read[0].price.to_string(), read[1].price.to_string()),
            ("0.211".to_owned(), "-0.05".to_owned())
        );
        assert_eq!(read[1].from.0 - read[0].from.0, 1_800_000);
    }

    #[test]
    fn what_can_t_be_read_is_told_with_its_place() {
        for (text, told) in [
            ("0.3", "prices are a JSON list"),
            ("[{}]", "price 1 of the list: `from` is missing"),
            (r#"[{"from": "2026-06-01T00:00:00Z"}]"#, "price 1 of the list: `price` is missing"),
            (r#"[{"from": "2026-06-01T00:00:00", "price": 1}]"#, "does not say its offset"),
            (r#"[{"from": "2026-06-01T00:00:00Z", "price": 5000}]"#, "beyond 1000"),
            (r#"[{"from": "2026-06-01T00:00:00Z", "price": "dear"}]"#, "is no number"),
        ] {
            let why = price_list(text.as_bytes()).unwrap_err();
            assert!(why.contains(told), "{text}: {why}");
        }
        assert!(price_file("time,price\n").unwrap_err().contains("`from` and `price`"));
        let why = price_file("from,price\n2026-06-01T00:00:00Z,0.1\n2026-06-01T00:30:00Z\n").unwrap_err();
        assert!(why.starts_with("line 3: "), "{why}");
    }
}
