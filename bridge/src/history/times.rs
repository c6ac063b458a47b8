//! The `time` column: RFC 3339 with an offset, Unix seconds, or the home's own clock.
//!
//! Local times without an offset are read in the home's zone. The hour that comes twice when clocks go back is told apart
//! by order: a time that could be either is the first of the two, unless the row before it is already at or past that;
//! then it is the second. A time in the hour that is left out when clocks go forward does not exist and is refused.

use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, TimeZone};
use overspill_rules::time::WallTime;

/// Unix seconds beyond this are milliseconds by mistake: it is the year 5138.
const LATEST_UNIX_S: f64 = 1e11;

/// Reads one time after the other.
#[derive(Debug, Clone)]
pub(crate) struct Times {
    zone: TimeZone,
    previous: Option<WallTime>,
}

impl Times {
    pub(crate) fn new(zone: TimeZone) -> Times {
        Times { zone, previous: None }
    }

    /// The moment that `text` means, later than the one before; or why it is none, in a sentence.
    pub(crate) fn read(&mut self, text: &str) -> Result<WallTime, String> {
        let at = self.parse(text)?;
        match self.previous {
            Some(previous) if at == previous => {
                return Err(format!("`{text}` is the time of the row before"));
            }
            Some(previous) if at < previous => {
                return Err(format!(
                    "`{text}` is earlier than the row before; rows must be in the order of time"
                ));
            }
            _ => {}
        }
        self.previous = Some(at);
        Ok(at)
    }

    fn parse(&self, text: &str) -> Result<WallTime, String> {
        if text.is_empty() {
            return Err("the time is blank".to_owned());
        }
        if text.bytes().all(|b| b.is_ascii_digit() || b == b'.' || b == b'-')
            && let Ok(seconds) = text.parse::<f64>()
        {
            return unix(text, seconds);
        }
        if let Ok(instant) = text.parse::<jiff::Timestamp>() {
            return Ok(WallTime(instant.as_millisecond()));
        }
        match text.parse::<DateTime>() {
            Ok(local) => self.local(text, local),
            Err(_) => Err(format!(
                "`{text}` is no time: write 2026-06-01T10:30:00+02:00, Unix seconds, or a local time \
                 such as 2026-06-01 10:30"
            )),
        }
    }

    fn local(&self, text: &str, local: DateTime) -> Result<WallTime, String> {
        let instant = |offset: jiff::tz::Offset| {
            let at = offset.to_timestamp(local).map_err(|_| format!("`{text}` is out of range"))?;
            Ok::<WallTime, String>(WallTime(at.as_millisecond()))
        };
        match self.zone.to_ambiguous_zoned(local).offset() {
            AmbiguousOffset::Unambiguous { offset } => instant(offset),
            AmbiguousOffset::Fold { before, after } => {
                let first = instant(before)?;
                if self.previous.is_none_or(|p| first > p) { Ok(first) } else { instant(after) }
            }
            AmbiguousOffset::Gap { .. } => {
                let zone = self.zone.iana_name().unwrap_or("the home's zone");
                Err(format!("`{text}` does not exist in {zone}: clocks went forward over it"))
            }
        }
    }
}

fn unix(text: &str, seconds: f64) -> Result<WallTime, String> {
    if seconds.abs() > LATEST_UNIX_S {
        return Err(format!("`{text}` is too large for Unix seconds; are these milliseconds?"));
    }
    Ok(WallTime((seconds * 1000.0).round() as i64))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn times(zone: &str) -> Times {
        Times::new(jiff::tz::TimeZoneDatabase::bundled().get(zone).unwrap())
    }

    fn rfc(at: WallTime) -> String {
        at.to_rfc3339()
    }

    #[test]
    fn every_form_of_a_time_is_read() {
        for (text, wanted) in [
            ("2026-06-01T10:30:00Z", "2026-06-01T10:30:00.000Z"),
            ("2026-06-01T10:30:00.125+02:00", "2026-06-01T08:30:00.125Z"),
            ("2026-06-01 10:30:00+02:00", "2026-06-01T08:30:00.000Z"),
            ("1780309800", "2026-06-01T10:30:00.000Z"),
            ("1780309800.5", "2026-06-01T10:30:00.500Z"),
            ("2026-06-01T10:30:00", "2026-06-01T09:30:00.000Z"),
            ("2026-06-01 10:30", "2026-06-01T09:30:00.000Z"),
            ("2026-01-01", "2026-01-01T00:00:00.000Z"),
        ] {
            assert_eq!(times("Europe/London").read(text).map(rfc), Ok(wanted.to_owned()), "{text}");
        }
    }

    #[test]
    fn what_is_no_time_is_told() {
        for (text, word) in [
            ("", "blank"),
            ("yesterday", "no time"),
            ("2026-13-01", "no time"),
            ("1780309800000", "milliseconds"),
            ("2026-03-29 01:30", "does not exist in Europe/London"),
        ] {
            let why = times("Europe/London").read(text).unwrap_err();
            assert!(why.contains(word), "{text}: {why}");
        }
        let mut in_order = times("Europe/London");
        in_order.read("2026-06-01T10:30:00Z").unwrap();
        assert!(in_order.read("2026-06-01T10:30:00Z").unwrap_err().contains("the row before"));
        assert!(in_order.read("2026-06-01T10:00:00Z").unwrap_err().contains("in the order of time"));
    }

    #[test]
    fn the_day_on_which_clocks_go_back_has_fifty_half_hours() {
        let mut local: Vec<String> = Vec::new();
        for half in 0..48 {
            local.push(format!("2026-10-25 {:02}:{:02}", half / 2, half % 2 * 30));
            if half == 3 {
                local.extend(["2026-10-25 01:00".to_owned(), "2026-10-25 01:30".to_owned()]);
            }
        }
        let mut times = times("Europe/London");
        let read: Vec<i64> = local.iter().map(|t| times.read(t).unwrap().0).collect();
        assert_eq!(read.len(), 50);
        assert!(read.windows(2).all(|w| w[1] - w[0] == 1_800_000));
    }

    #[test]
    fn the_day_on_which_clocks_go_forward_has_forty_six() {
        let mut times = times("America/Denver");
        let local = (0..48).map(|half| format!("2012-03-11 {:02}:{:02}", half / 2, half % 2 * 30));
        let read: Vec<i64> = local.filter_map(|t| times.read(&t).ok()).map(|t| t.0).collect();
        assert_eq!(read.len(), 46);
        assert!(read.windows(2).all(|w| w[1] - w[0] == 1_800_000));
    }
}
