//! Times as people write and read them.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use overspill_rules::time::WallTime;

/// A time as people write it: RFC 3339, a local time, or a local date.
///
/// # Errors
/// Why it is none, in a sentence.
pub(crate) fn moment(text: &str, zone: &TimeZone, is_end: bool) -> Result<WallTime, String> {
    let wall = |at: jiff::Timestamp| WallTime(at.as_millisecond());
    if let Ok(at) = text.parse::<jiff::Timestamp>() {
        return Ok(wall(at));
    }
    let never = |_| format!("`{text}` is out of range");
    if let Ok(date) = text.parse::<Date>()
        && !text.contains(':')
    {
        let day = if is_end { date.tomorrow().map_err(never)? } else { date };
        return day.to_zoned(zone.clone()).map(|z| wall(z.timestamp())).map_err(never);
    }
    let wanted = "write a date such as 2026-06-01, a local time such as 2026-06-01T10:30, or one with its offset such as \
                  2026-06-01T10:30:00+02:00";
    let local: DateTime = text.parse().map_err(|_| format!("`{text}` is no time: {wanted}"))?;
    let found = zone.to_ambiguous_zoned(local);
    if found.is_ambiguous() {
        return Err(format!(
            "`{text}` does not say which moment is meant, since clocks change then: write its offset"
        ));
    }
    found.compatible().map(|z| wall(z.timestamp())).map_err(never)
}

/// A time as people read it: local, to the minute, or to the second where it has any.
pub(crate) fn local(at: WallTime, zone: &TimeZone) -> String {
    let form = if at.0 % 60_000 == 0 { "%Y-%m-%d %H:%M" } else { "%Y-%m-%d %H:%M:%S" };
    at.in_zone(zone).map_or_else(|| at.to_rfc3339(), |z| z.strftime(form).to_string())
}
