//! Kinds of time, kept apart by type.
//!
//! [`Moment`] is the monotonic time that the driver hands in with every input. [`WallTime`] is what a clock on the wall
//! would say: `moment + offset`, where only [`Input::ClockSet`](crate::input::Input::ClockSet) changes the offset.
//! [`Span`] is a length of time. All three are whole milliseconds, so that a run can be written down and repeated.

use std::fmt;
use std::ops::{Add, AddAssign, Sub};

use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};

/// A point on the monotonic time line, in milliseconds since an origin that the driver chooses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(pub i64);

/// A length of time in milliseconds; may be negative.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Span(pub i64);

/// A point in civil time: milliseconds since 1970-01-01T00:00:00Z.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct WallTime(pub i64);

impl Moment {
    /// The time that has passed since `earlier`, in seconds; negative if `earlier` is later.
    pub fn seconds_since(self, earlier: Moment) -> f64 {
        (self - earlier).as_seconds()
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);

    /// A span of whole seconds.
    pub const fn seconds(s: i64) -> Span {
        Span(s * 1000)
    }

    /// A span of whole minutes.
    pub const fn minutes(m: i64) -> Span {
        Span(m * 60_000)
    }

    /// A span of whole hours.
    pub const fn hours(h: i64) -> Span {
        Span(h * 3_600_000)
    }

    /// The length in seconds.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// The length in hours.
    pub fn as_hours(self) -> f64 {
        self.0 as f64 / 3_600_000.0
    }

    /// This span times `factor`, rounded to the nearest millisecond.
    pub fn times(self, factor: f64) -> Span {
        Span((self.0 as f64 * factor).round() as i64)
    }

    /// Reads a span from text such as `30s`, `250ms`, `5m`, `1.5h`, `2d` or `1h 30m`.
    ///
    /// # Errors
    /// A sentence that says what is allowed, when the text is no span or is longer than ten years.
    pub fn parse(text: &str) -> Result<Span, String> {
        parse_span(text).ok_or_else(|| {
            format!("`{text}` is no duration: write a number and a unit, such as \"250ms\", \"30s\", \"5m\", \"2h\" or \"1h 30m\"")
        })
    }
}

const LONGEST_SPAN: Span = Span::hours(24 * 3660);

fn parse_span(text: &str) -> Option<Span> {
    let mut rest = text.trim();
    let mut total = 0.0;
    if rest.is_empty() {
        return None;
    }
    while !rest.is_empty() {
        let digits = rest.find(|c: char| !c.is_ascii_digit() && c != '.').unwrap_or(0);
        let number: f64 = rest.get(..digits)?.parse().ok()?;
        rest = rest.get(digits..)?.trim_start();
        let letters = rest.find(|c: char| !c.is_ascii_alphabetic()).unwrap_or(rest.len());
        total += number * unit_ms(rest.get(..letters)?)?;
        rest = rest.get(letters..)?.trim_start();
    }
    let span = Span(total.round() as i64);
    (total.is_finite() && span <= LONGEST_SPAN).then_some(span)
}

fn unit_ms(unit: &str) -> Option<f64> {
    match unit {
        "ms" => Some(1.0),
        "s" => Some(1000.0),
        "m" | "min" => Some(60_000.0),
        "h" => Some(3_600_000.0),
        "d" => Some(86_400_000.0),
        _ => None,
    }
}

impl fmt::Display for Span {
    /// Reads like speech: `45 s`, `3 min`, `1 h 30 min`, `2 d`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let ms = self.0.abs();
        if self.0 < 0 {
            write!(f, "-")?;
        }
        if ms > 0 && ms < 1000 {
            return write!(f, "{ms} ms");
        }
        if ms == 0 || (ms < 120_000 && ms % 60_000 != 0) {
            return write!(f, "{} s", (ms as f64 / 100.0).round() / 10.0);
        }
        let minutes = (ms as f64 / 60_000.0).round() as i64;
        match (minutes / 1440, (minutes / 60) % 24, minutes % 60) {
            (0, 0, m) => write!(f, "{m} min"),
            (0, h, 0) => write!(f, "{h} h"),
            (0, h, m) => write!(f, "{h} h {m} min"),
            (d, 0, _) => write!(f, "{d} d"),
            (d, h, _) => write!(f, "{d} d {h} h"),
        }
    }
}

impl WallTime {
    /// RFC 3339 in UTC with milliseconds and `Z`, as every published `at` is written.
    pub fn to_rfc3339(self) -> String {
        match jiff::Timestamp::from_millisecond(self.0) {
            Ok(t) => format!("{t:.3}"),
            Err(_) => "out of range".to_owned(),
        }
    }

    /// This time in the civil calendar of `zone`; `None` outside the years -9999 to 9999.
    pub fn in_zone(self, zone: &TimeZone) -> Option<jiff::Zoned> {
        jiff::Timestamp::from_millisecond(self.0).ok().map(|t| t.to_zoned(zone.clone()))
    }
}

impl Add<Span> for Moment {
    type Output = Moment;
    fn add(self, span: Span) -> Moment {
        Moment(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for Moment {
    type Output = Moment;
    fn sub(self, span: Span) -> Moment {
        Moment(self.0.saturating_sub(span.0))
    }
}

impl Sub for Moment {
    type Output = Span;
    fn sub(self, earlier: Moment) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0.saturating_add(other.0))
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0.saturating_sub(other.0))
    }
}

impl AddAssign for Span {
    fn add_assign(&mut self, other: Span) {
        *self = *self + other;
    }
}

impl Add<Span> for WallTime {
    type Output = WallTime;
    fn add(self, span: Span) -> WallTime {
        WallTime(self.0.saturating_add(span.0))
    }
}

impl Sub for WallTime {
    type Output = Span;
    fn sub(self, earlier: WallTime) -> Span {
        Span(self.0.saturating_sub(earlier.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn spans_read_as_people_write_them() {
        for (text, ms) in [
            ("30s", 30_000),
            ("250ms", 250),
            ("5m", 300_000),
            ("1.5h", 5_400_000),
            ("1h 30m", 5_400_000),
            ("0s", 0),
        ] {
            assert_eq!(Span::parse(text), Ok(Span(ms)), "{text}");
        }
        for text in ["", "30", "s", "5 minutes", "-3s", "1e3s", "5000d"] {
            assert!(Span::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn spans_print_as_people_say_them() {
        for (ms, text) in [
            (250, "250 ms"),
            (0, "0 s"),
            (45_000, "45 s"),
            (90_000, "90 s"),
            (180_000, "3 min"),
            (5_400_000, "1 h 30 min"),
            (86_400_000, "1 d"),
        ] {
            assert_eq!(Span(ms).to_string(), text);
        }
    }

    #[test]
    fn wall_time_prints_with_milliseconds_and_z() {
        assert_eq!(WallTime(1_750_000_000_120).to_rfc3339(), "2025-06-15T15:06:40.120Z");
    }
}
