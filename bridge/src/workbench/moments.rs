//! Times in a test: by the household's clock, or so long after the start.

use jiff::civil::{DateTime, Time};
use jiff::tz::TimeZone;
use overspill_rules::time::{Span, WallTime};

/// Reads the start of a test: a date and a time of the household's clock.
///
/// # Errors
/// What is wrong with it.
pub(crate) fn start(text: &str, zone: &TimeZone) -> Result<WallTime, String> {
    let civil = civil(text)
        .ok_or_else(|| format!("`{text}` is no date and time: write it as in \"2026-06-18 09:00\""))?;
    in_zone(civil, zone).ok_or_else(|| format!("`{text}` is no time in this home"))
}

/// Reads a moment of a test, as time after its start: `10:30` is the next time that the household's clock shows it,
/// `2026-06-19 00:30` says the day as well, `+1h 30m` is so long after the start.
///
/// # Errors
/// What is wrong with it.
pub(crate) fn after_start(text: &str, start: WallTime, zone: &TimeZone) -> Result<Span, String> {
    if let Some(span) = text.trim().strip_prefix('+') {
        return Span::parse(span);
    }
    if let Some(civil) = civil(text) {
        let at = in_zone(civil, zone).ok_or_else(|| format!("`{text}` is no time in this home"))?;
        return if at < start {
            Err(format!("`{text}` is before the start of the test"))
        } else {
            Ok(at - start)
        };
    }
    let time = time(text).ok_or_else(|| {
        format!("`{text}` is no time: write \"10:30\", \"2026-06-18 10:30\", or \"+90m\" for so long after the start")
    })?;
    let begins = start.in_zone(zone).ok_or_else(|| "the start is no time in this home".to_owned())?;
    let same_day = in_zone(begins.date().to_datetime(time), zone);
    let next_day = || in_zone(begins.date().tomorrow().ok()?.to_datetime(time), zone);
    let at = same_day.filter(|at| *at >= start).or_else(next_day);
    at.map(|at| at - start).ok_or_else(|| format!("`{text}` is no time in this home"))
}

fn civil(text: &str) -> Option<DateTime> {
    let (date, clock) = text.trim().split_once([' ', 'T'])?;
    Some(date.parse::<jiff::civil::Date>().ok()?.to_datetime(time(clock)?))
}

fn time(text: &str) -> Option<Time> {
    let text = text.trim();
    let parts: Vec<&str> = text.split(':').collect();
    let two = |part: &str| if part.len() == 2 { part.parse::<i8>().ok() } else { None };
    match parts[..] {
        [h, m] => Time::new(two(h)?, two(m)?, 0, 0).ok(),
        [h, m, s] => Time::new(two(h)?, two(m)?, two(s)?, 0).ok(),
        _ => None,
    }
}

fn in_zone(civil: DateTime, zone: &TimeZone) -> Option<WallTime> {
    civil.to_zoned(zone.clone()).ok().map(|zoned| WallTime(zoned.timestamp().as_millisecond()))
}

/// A moment of a test as people read it: the household's clock, the day too where it is not the first.
pub(crate) fn shown(after: Span, start: WallTime, zone: &TimeZone) -> String {
    let Some((at, begins)) = (start + after).in_zone(zone).zip(start.in_zone(zone)) else {
        return format!("{after} after the start");
    };
    let time = at.strftime("%H:%M:%S");
    if at.date() == begins.date() { time.to_string() } else { format!("{} {time}", at.date()) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    fn london() -> TimeZone {
        jiff::tz::TimeZoneDatabase::bundled().get("Europe/London").unwrap()
    }

    fn after(text: &str, begins: &str) -> Result<Span, String> {
        after_start(text, start(begins, &london()).unwrap(), &london())
    }

    #[test]
    fn a_time_is_the_next_that_the_clock_shows() {
        assert_eq!(after("10:30", "2026-06-18 09:00"), Ok(Span::minutes(90)));
        assert_eq!(after("09:00", "2026-06-18 09:00"), Ok(Span::ZERO));
        assert_eq!(after("00:30:15", "2026-06-18 23:00"), Ok(Span::seconds(5415)));
        assert_eq!(after("+1h 30m", "2026-06-18 09:00"), Ok(Span::minutes(90)));
        assert_eq!(after("2026-06-19 09:00", "2026-06-18 09:00"), Ok(Span::hours(24)));
    }

    #[test]
    fn the_clock_change_is_the_households() {
        // In London 2026-03-29 lacks the hour from 01:00 (the end of March by EU and UK law).
        assert_eq!(after("02:30", "2026-03-29 00:30"), Ok(Span::hours(1)));
        assert_eq!(
            shown(Span::hours(1), start("2026-03-29 00:30", &london()).unwrap(), &london()),
            "02:30:00"
        );
    }

    #[test]
    fn a_slip_says_how_times_are_written() {
        insta::assert_snapshot!(after("25:00", "2026-06-18 09:00").unwrap_err(), @r#"`25:00` is no time: write "10:30", "2026-06-18 10:30", or "+90m" for so long after the start"#);
        insta::assert_snapshot!(after("9:00", "2026-06-18 09:00").unwrap_err(), @r#"`9:00` is no time: write "10:30", "2026-06-18 10:30", or "+90m" for so long after the start"#);
        insta::assert_snapshot!(after("2026-06-17 09:00", "2026-06-18 09:00").unwrap_err(), @"`2026-06-17 09:00` is before the start of the test");
        insta::assert_snapshot!(start("yesterday", &london()).unwrap_err(), @r#"`yesterday` is no date and time: write it as in "2026-06-18 09:00""#);
    }
}
