//! Times as people write them on the command line.

use std::str::FromStr;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use overspill_rules::time::WallTime;

/// The end that a time stands for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Edge {
    /// A bare date means the day's beginning.
    From,
    /// A bare date means the day's end.
    To,
}

/// Reads RFC 3339, or a date that is local in `zone`.
///
/// # Errors
/// A sentence that says what is allowed.
pub fn time(text: &str, edge: Edge, zone: &TimeZone) -> Result<WallTime, String> {
    if let Ok(at) = jiff::Timestamp::from_str(text) {
        return Ok(WallTime(at.as_millisecond()));
    }
    let wrong = || {
        format!(
            "`{text}` is no time: write a date such as 2026-06-21, or a time such as 2026-06-21T14:05:00+01:00"
        )
    };
    // A date with a time of day would be taken for the date alone.
    let date = if text.contains(':') { None } else { Date::from_str(text).ok() };
    let date = date.ok_or_else(wrong)?;
    let date = match edge {
        Edge::From => date,
        Edge::To => date.tomorrow().map_err(|_| wrong())?,
    };
    let begin = date.to_zoned(zone.clone()).map_err(|_| wrong())?;
    Ok(WallTime(begin.timestamp().as_millisecond()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_date_is_a_local_day() {
        let zone = TimeZone::get("Europe/London").unwrap();
        let told = |text, edge| time(text, edge, &zone).map(WallTime::to_rfc3339);
        assert_eq!(told("2026-03-29", Edge::From).unwrap(), "2026-03-29T00:00:00.000Z");
        assert_eq!(told("2026-03-29", Edge::To).unwrap(), "2026-03-29T23:00:00.000Z");
        assert_eq!(told("2026-03-29T12:00:00+01:00", Edge::To).unwrap(), "2026-03-29T11:00:00.000Z");
        for wrong in ["", "yesterday", "2026-02-30", "2026-03-29T12:00"] {
            assert!(told(wrong, Edge::From).unwrap_err().contains("write a date"), "{wrong}");
        }
    }
}
