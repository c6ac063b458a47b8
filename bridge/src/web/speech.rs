//! Times and amounts as the views say them.

use jiff::tz::TimeZone;
use overspill_rules::time::{Span, WallTime};

/// A time near now: the hour alone on the same day, else with the day. `Tue 2 June, 14:05`.
pub(crate) fn time(at: WallTime, now: WallTime, zone: &TimeZone) -> String {
    let (Some(local), Some(today)) = (at.in_zone(zone), now.in_zone(zone)) else { return at.to_rfc3339() };
    let form = match (local.date() == today.date(), local.year() == today.year()) {
        (true, _) => "%H:%M",
        (false, true) => "%a %-d %B, %H:%M",
        (false, false) => "%a %-d %B %Y, %H:%M",
    };
    local.strftime(form).to_string()
}

/// A time that is over, to the second: `Tue 2 June 2026, 14:05:07`.
pub(crate) fn exact(at: Option<WallTime>, zone: &TimeZone) -> String {
    let Some(at) = at else { return "at a time not known".to_owned() };
    at.in_zone(zone).map_or(at.to_rfc3339(), |z| z.strftime("%a %-d %B %Y, %H:%M:%S").to_string())
}

/// The beginning of the day of `now`.
pub(crate) fn midnight(now: WallTime, zone: &TimeZone) -> WallTime {
    let start = now.in_zone(zone).and_then(|z| z.start_of_day().ok());
    start.map_or(now, |z| WallTime(z.timestamp().as_millisecond()))
}

/// The next time at which the clocks of the home show `text` (`07:30`).
///
/// # Errors
/// What it should look like.
pub(crate) fn next_time(text: &str, now: WallTime, zone: &TimeZone) -> Result<WallTime, String> {
    let wanted = || format!("`{text}` is no time of day: write one such as 07:30");
    let time = jiff::civil::Time::strptime("%H:%M", text.trim()).map_err(|_| wanted())?;
    let local = now.in_zone(zone).ok_or_else(wanted)?;
    let at = |day: jiff::civil::Date| {
        let there = day.to_datetime(time).to_zoned(zone.clone()).ok()?;
        Some(WallTime(there.timestamp().as_millisecond()))
    };
    let tomorrow = || at(local.date().tomorrow().ok()?);
    at(local.date()).filter(|there| *there > now).or_else(tomorrow).ok_or_else(wanted)
}

/// Watts as people say them: `850 W`, `12 500 W`; never a minus before a nought.
pub(crate) fn watts(watts: f64) -> String {
    let whole = watts.round() + 0.0;
    let sign = if whole < 0.0 { "−" } else { "" };
    format!("{sign}{} W", crate::words::grouped(whole.abs() as u64))
}

/// How long, to the minute: `2 h 10 min`, and `less than a minute`.
pub(crate) fn lasting(span: Span) -> String {
    if span < Span::minutes(1) {
        "less than a minute".to_owned()
    } else {
        Span(span.0 / 60_000 * 60_000).to_string()
    }
}

/// With a capital at the beginning.
pub(crate) fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or(String::new(), |first| format!("{}{}", first.to_uppercase(), letters.as_str()))
}

/// A sentence: a capital at its beginning, a full stop at its end.
pub(crate) fn sentence(words: &str) -> String {
    capital(&stopped(words))
}

/// With a full stop at the end, where there is none yet.
pub(crate) fn stopped(words: &str) -> String {
    let words = words.trim();
    let stop = if words.is_empty() || words.ends_with(['.', '?', '!']) { "" } else { "." };
    format!("{words}{stop}")
}

/// Part of an address, with everything escaped that has a meaning there.
pub(crate) fn in_address(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b':' => {
                out.push(byte.into())
            }
            _ => out.push_str(&format!("%{byte:02X}")),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn london() -> TimeZone {
        jiff::tz::TimeZoneDatabase::bundled().get("Europe/London").unwrap()
    }

    /// Noon in London on 2026-06-01.
    const NOON: WallTime = WallTime(1_780_311_600_000);

    #[test]
    fn a_time_of_another_day_says_its_day() {
        assert_eq!(time(NOON + Span::hours(3), NOON, &london()), "15:00");
        assert_eq!(time(NOON + Span::hours(20), NOON, &london()), "Tue 2 June, 08:00");
        assert_eq!(time(NOON + Span::hours(24 * 300), NOON, &london()), "Sun 28 March 2027, 12:00");
        assert_eq!(midnight(NOON, &london()), WallTime(NOON.0 - 12 * 3_600_000));
    }

    #[test]
    fn a_time_of_day_is_the_next_one() {
        let zone = london();
        assert_eq!(next_time("13:30", NOON, &zone), Ok(NOON + Span::minutes(90)));
        assert_eq!(next_time("11:00", NOON, &zone), Ok(NOON + Span::hours(23)));
        assert_eq!(next_time("12:00", NOON, &zone), Ok(NOON + Span::hours(24)));
        assert!(next_time("25:00", NOON, &zone).unwrap_err().contains("such as 07:30"));
        assert!(next_time("", NOON, &zone).is_err());
        // The night in which 01:30 does not exist: the clocks show 02:30 then.
        let evening = WallTime(1_774_738_800_000);
        assert_eq!(exact(Some(evening), &zone), "Sat 28 March 2026, 23:00:00");
        assert_eq!(next_time("01:30", evening, &zone), Ok(evening + Span::minutes(150)));
    }

    #[test]
    fn amounts_are_said_plainly() {
        assert_eq!([watts(-0.2), watts(12_500.4), watts(-300.0)], ["0 W", "12 500 W", "−300 W"]);
        assert_eq!([lasting(Span(59_999)), lasting(Span(7_830_000))], ["less than a minute", "2 h 10 min"]);
        assert_eq!(sentence("it waits"), "It waits.");
        assert_eq!(in_address("a b/é"), "a%20b%2F%C3%A9");
    }
}
