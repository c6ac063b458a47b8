//! The time that a device gives with its message.

use serde_json::Value;

use super::json::kind;
use super::number::quoted;
use crate::time::WallTime;

/// Numbers from here on are milliseconds: as seconds they would lie after the year 5100, and as milliseconds smaller
/// ones lie before 1974.
const MILLISECONDS_FROM: f64 = 1e11;

/// Numbers from here on are neither (as milliseconds, after the year 5100).
const TOO_LARGE_FROM: f64 = 1e14;

/// Reads RFC 3339, or Unix seconds or milliseconds, as a number or as text.
///
/// # Errors
/// What was found instead.
pub(super) fn device_time(value: &Value) -> Result<WallTime, String> {
    match value {
        Value::Number(n) => unix(n.as_f64().unwrap_or(f64::NAN)),
        Value::String(text) => match text.trim().parse::<f64>() {
            Ok(number) => unix(number),
            Err(_) => rfc3339(text.trim()),
        },
        other => Err(format!("the time is {}", kind(other))),
    }
}

fn unix(number: f64) -> Result<WallTime, String> {
    if number.is_finite() && (0.0..TOO_LARGE_FROM).contains(&number) {
        let ms = if number < MILLISECONDS_FROM { number * 1000.0 } else { number };
        return Ok(WallTime(ms.round() as i64));
    }
    Err(format!("the time {number} is no time in Unix seconds or milliseconds"))
}

/// Reads RFC 3339 with an offset.
///
/// # Errors
/// How to write it.
pub(super) fn rfc3339(text: &str) -> Result<WallTime, String> {
    match text.parse::<jiff::Timestamp>() {
        Ok(time) => Ok(WallTime(time.as_millisecond())),
        Err(_) if text.parse::<jiff::civil::DateTime>().is_ok() => {
            Err(format!("the time {} does not say its offset from UTC; add `Z` or `+01:00`", quoted(text)))
        }
        Err(_) => Err(format!("the time {} is not RFC 3339, as in 2026-06-01T12:30:00Z", quoted(text))),
    }
}
