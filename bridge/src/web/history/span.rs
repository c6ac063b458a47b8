//! The span that a page is asked for, and the ways to others.

use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{ToSpan, Zoned};
use overspill_rules::time::{Span, WallTime};
use serde::Deserialize;

use crate::when::moment;

/// The longest span that is shown at once, in days: five years.
pub(crate) const MOST_DAYS: i64 = 1827;

/// The shortest.
const LEAST: Span = Span::minutes(30);

/// As the address of a page has it; a bare date alone is that day, a blank field as if it were not there.
#[derive(Debug, Clone, Default, PartialEq, Eq, Deserialize)]
pub(crate) struct SpanQuery {
    pub(crate) from: Option<String>,
    pub(crate) to: Option<String>,
}

/// What a span is by the calendar.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// One local day.
    Day,
    /// Monday to Sunday.
    Week,
    /// A month of the calendar.
    Month,
    /// A year of the calendar.
    Year,
    /// Other whole local days.
    Days,
    /// Anything else.
    Part,
}

/// A span in the home's zone, half-open, at least half an hour and at most [`MOST_DAYS`] long.
#[derive(Debug, Clone)]
pub(crate) struct Asked {
    pub(crate) from: WallTime,
    pub(crate) to: WallTime,
    zone: TimeZone,
    /// The first local day, and the one after the last, where it is made of whole ones.
    days: Option<(Date, Date)>,
}

/// A way to another span.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Way {
    /// What it is called.
    pub(crate) name: String,
    /// The part of an address behind `?`.
    pub(crate) query: String,
    /// It is the span that is shown.
    pub(crate) here: bool,
}

impl SpanQuery {
    /// What stands in the fields.
    fn texts(&self) -> (Option<&str>, Option<&str>) {
        (blank(&self.from), blank(&self.to))
    }

    /// Whether nothing is asked.
    pub(crate) fn is_blank(&self) -> bool {
        self.texts() == (None, None)
    }
}

fn blank(field: &Option<String>) -> Option<&str> {
    field.as_deref().map(str::trim).filter(|text| !text.is_empty())
}

impl Asked {
    /// The span that is asked for; today where nothing is.
    ///
    /// # Errors
    /// What is wrong with it, in a sentence without a full stop.
    pub(crate) fn read(query: &SpanQuery, zone: &TimeZone, now: WallTime) -> Result<Asked, String> {
        let today = now.in_zone(zone).ok_or("the clock of this computer is out of range")?.date();
        let (from, to) = match query.texts() {
            (None, None) => return Asked::of_days((today, next(today)?), zone),
            (Some(from), None) => {
                let begin = moment(from, zone, false)?;
                (begin, if is_date(from) { moment(from, zone, true)? } else { begin + Span::hours(24) })
            }
            (None, Some(to)) => {
                let end = moment(to, zone, true)?;
                (if is_date(to) { moment(to, zone, false)? } else { end + Span::hours(-24) }, end)
            }
            (Some(from), Some(to)) => (moment(from, zone, false)?, moment(to, zone, true)?),
        };
        let asked = Asked::between(from, to, zone)?;
        if asked.from >= now {
            return Err(format!("{} is still to come", asked.words()));
        }
        Ok(asked)
    }

    /// The last `days` local days, today included.
    ///
    /// # Errors
    /// When the clock is out of range.
    pub(crate) fn last_days(days: i64, zone: &TimeZone, now: WallTime) -> Result<Asked, String> {
        let out = "the clock of this computer is out of range";
        let end = next(now.in_zone(zone).ok_or(out)?.date())?;
        Asked::of_days((end.checked_sub(days.days()).map_err(|_| out)?, end), zone)
    }

    fn between(from: WallTime, to: WallTime, zone: &TimeZone) -> Result<Asked, String> {
        if from >= to {
            return Err("the beginning must be before the end".to_owned());
        }
        if let Some(days) = whole_days(from, to, zone) {
            return Asked::of_days(days, zone);
        }
        let half = LEAST.0;
        let from = WallTime(from.0.div_euclid(half) * half);
        let to = WallTime(-(-to.0).div_euclid(half) * half);
        let asked = Asked { from, to, zone: zone.clone(), days: None };
        if to - from > Span::hours(24 * MOST_DAYS) {
            return Err(too_long());
        }
        Ok(asked)
    }

    fn of_days((first, end): (Date, Date), zone: &TimeZone) -> Result<Asked, String> {
        let start = |date: Date| {
            let at = date.to_zoned(zone.clone()).map_err(|_| format!("{date} is out of range"))?;
            Ok::<WallTime, String>(WallTime(at.timestamp().as_millisecond()))
        };
        if days_between(first, end) > MOST_DAYS {
            return Err(too_long());
        }
        Ok(Asked { from: start(first)?, to: start(end)?, zone: zone.clone(), days: Some((first, end)) })
    }

    /// The span, without what is still to come.
    pub(crate) fn past(&self, now: WallTime) -> (WallTime, WallTime) {
        (self.from, self.to.min(now).max(self.from))
    }

    /// How long it is, in days.
    pub(crate) fn length_days(&self) -> f64 {
        match self.days {
            Some((first, end)) => days_between(first, end) as f64,
            None => (self.to - self.from).as_hours() / 24.0,
        }
    }

    /// What it is by the calendar.
    pub(crate) fn kind(&self) -> Kind {
        let Some((first, end)) = self.days else { return Kind::Part };
        let ends = |span: jiff::Span| first.checked_add(span).is_ok_and(|date| date == end);
        match first {
            _ if ends(1.day()) => Kind::Day,
            first if first.weekday().to_monday_zero_offset() == 0 && ends(1.week()) => Kind::Week,
            first if first.day() == 1 && ends(1.month()) => Kind::Month,
            first if first.day_of_year() == 1 && ends(1.year()) => Kind::Year,
            _ => Kind::Days,
        }
    }

    /// The first local day; of a part of a day the one in which it begins.
    pub(crate) fn first_day(&self) -> Date {
        self.days.map_or_else(|| self.local(self.from).date(), |(first, _)| first)
    }

    /// The last local day that it has something of.
    pub(crate) fn last_day(&self) -> Date {
        let end = self.days.map_or_else(
            || self.local(WallTime(self.to.0 - 1)).date(),
            |(_, end)| end.yesterday().unwrap_or(end),
        );
        end.max(self.first_day())
    }

    fn local(&self, at: WallTime) -> Zoned {
        at.in_zone(&self.zone).unwrap_or_default()
    }

    /// The span as a heading says it.
    pub(crate) fn words(&self) -> String {
        let day = |date: Date| date.strftime("%-d %B %Y").to_string();
        let (first, last) = (self.first_day(), self.last_day());
        match self.kind() {
            Kind::Day => first.strftime("%A %-d %B %Y").to_string(),
            Kind::Month => first.strftime("%B %Y").to_string(),
            Kind::Year => first.strftime("%Y").to_string(),
            Kind::Week | Kind::Days => format!("{} to {}", day(first), day(last)),
            Kind::Part => {
                let (from, to) = (self.local(self.from), self.local(self.to));
                let clock = |at: &Zoned| at.strftime("%H:%M").to_string();
                if first == last {
                    let midnight = to.date() != last;
                    let end = if midnight { "24:00".to_owned() } else { clock(&to) };
                    return format!("{}, {} to {end}", first.strftime("%A %-d %B %Y"), clock(&from));
                }
                format!("{}, {} to {}, {}", day(first), clock(&from), day(to.date()), clock(&to))
            }
        }
    }

    /// The span at the beginning of a sentence about it.
    pub(crate) fn when(&self, now: WallTime) -> String {
        let today = self.local(now).date();
        let first = self.first_day();
        match self.kind() {
            Kind::Day if first == today => "So far today".to_owned(),
            Kind::Day if next(first) == Ok(today) => "Yesterday".to_owned(),
            Kind::Day => format!("On {}", first.strftime("%A %-d %B")),
            Kind::Week => format!("In the week from {}", first.strftime("%-d %B")),
            Kind::Month | Kind::Year => format!("In {}", self.words()),
            Kind::Days => format!("From {}", self.words()),
            Kind::Part => "In this time".to_owned(),
        }
    }

    /// What stands behind `?` in the address of this span.
    pub(crate) fn query(&self) -> String {
        match self.days {
            Some(_) if self.kind() == Kind::Day => format!("from={}", self.first_day()),
            Some(_) => format!("from={}&to={}", self.first_day(), self.last_day()),
            None => format!("from={}&to={}", utc(self.from), utc(self.to)),
        }
    }

    /// What the fields of a form hold: two local dates.
    pub(crate) fn fields(&self) -> (String, String) {
        (self.first_day().to_string(), self.last_day().to_string())
    }

    /// The same length just before.
    pub(crate) fn earlier(&self) -> Option<Asked> {
        self.shifted(-1)
    }

    /// The same length just after, unless that is still to come.
    pub(crate) fn later(&self, now: WallTime) -> Option<Asked> {
        self.shifted(1).filter(|later| later.from < now)
    }

    fn shifted(&self, by: i64) -> Option<Asked> {
        let Some((first, end)) = self.days else {
            let shift = Span((self.to - self.from).0 * by);
            return Asked::between(self.from + shift, self.to + shift, &self.zone).ok();
        };
        let step = match self.kind() {
            Kind::Month => by.months(),
            Kind::Year => by.years(),
            _ => (by * days_between(first, end)).days(),
        };
        let days = (first.checked_add(step).ok()?, end.checked_add(step).ok()?);
        Asked::of_days(days, &self.zone).ok()
    }

    /// Half as long about the middle.
    pub(crate) fn nearer(&self) -> Option<Asked> {
        if let Some((first, end)) = self.days
            && days_between(first, end) > 1
        {
            let days = days_between(first, end);
            let begin = first.checked_add((days / 4).days()).ok()?;
            let end = begin.checked_add(((days + 1) / 2).days()).ok()?;
            return Asked::of_days((begin, end), &self.zone).ok();
        }
        let length = self.to - self.from;
        let quarter = Span(length.0 / 4);
        let from = WallTime((self.from + quarter).0.div_euclid(LEAST.0) * LEAST.0);
        let whole = (length.0 / 2).div_euclid(LEAST.0).max(1) * LEAST.0;
        (length > LEAST).then(|| Asked::between(from, from + Span(whole), &self.zone).ok()).flatten()
    }

    /// Twice as long about the middle, but not into days that are still to come.
    pub(crate) fn wider(&self, now: WallTime) -> Option<Asked> {
        let latest = next(self.local(now).date()).ok()?;
        let Some((first, end)) = self.days else {
            let length = self.to - self.from;
            let middle = self.from + Span(length.0 / 2);
            if length >= Span::hours(10) {
                let day = self.local(middle).date();
                return Asked::of_days((day, next(day).ok()?), &self.zone).ok();
            }
            return Asked::between(middle + Span(-length.0), middle + length, &self.zone).ok();
        };
        let days = days_between(first, end);
        let end = end.checked_add(((days + 1) / 2).days()).ok()?.min(latest);
        let begin = end.checked_sub((2 * days).days()).ok()?;
        Asked::of_days((begin, end), &self.zone).ok()
    }

    /// The day, week, month and year about the end of the span, or about now where that lies in it.
    pub(crate) fn units(&self, now: WallTime) -> Vec<Way> {
        let today = self.local(now).date();
        let within = self.first_day() <= today && today <= self.last_day();
        let about = if within { today } else { self.first_day() };
        let monday = about.checked_sub(i64::from(about.weekday().to_monday_zero_offset()).days());
        let month = about.first_of_month();
        let year = about.first_of_year();
        let each = [
            ("Day", Kind::Day, Ok(about), 1.day()),
            ("Week", Kind::Week, monday, 1.week()),
            ("Month", Kind::Month, Ok(month), 1.month()),
            ("Year", Kind::Year, Ok(year), 1.year()),
        ];
        let ways = each.into_iter().filter_map(|(name, kind, first, length)| {
            let first = first.ok()?;
            let span = Asked::of_days((first, first.checked_add(length).ok()?), &self.zone).ok()?;
            let here = kind == self.kind();
            let query = if here { self.query() } else { span.query() };
            Some(Way { name: name.to_owned(), query, here })
        });
        ways.collect()
    }
}

fn is_date(text: &str) -> bool {
    !text.contains(':') && text.parse::<Date>().is_ok()
}

fn next(date: Date) -> Result<Date, String> {
    date.tomorrow().map_err(|_| format!("{date} is out of range"))
}

fn days_between(first: Date, end: Date) -> i64 {
    first.until(end).map_or(i64::MAX, |span| i64::from(span.get_days()))
}

/// The local days that a span is made of.
fn whole_days(from: WallTime, to: WallTime, zone: &TimeZone) -> Option<(Date, Date)> {
    let date = |at: WallTime| {
        let local = at.in_zone(zone)?;
        let starts = local.start_of_day().is_ok_and(|start| start.timestamp() == local.timestamp());
        starts.then(|| local.date())
    };
    Some((date(from)?, date(to)?))
}

fn too_long() -> String {
    "one page shows at most five years; ask for less, or take `overspill export` for all of it".to_owned()
}

fn utc(at: WallTime) -> String {
    let text = at.to_rfc3339();
    text.strip_suffix(":00.000Z").map_or(text.clone(), |minute| format!("{minute}:00Z"))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn london() -> TimeZone {
        jiff::tz::TimeZoneDatabase::bundled().get("Europe/London").unwrap()
    }

    /// Thursday 26 November 2026, noon.
    fn now() -> WallTime {
        moment("2026-11-26T12:00", &london(), false).unwrap()
    }

    fn read(from: &str, to: &str) -> Result<Asked, String> {
        let field = |text: &str| Some(text.to_owned());
        Asked::read(&SpanQuery { from: field(from), to: field(to) }, &london(), now())
    }

    fn told(span: Option<Asked>) -> String {
        span.map_or("-".to_owned(), |span| span.query())
    }

    #[test]
    fn a_date_is_that_day_and_nothing_is_today() {
        assert_eq!(read("", "").unwrap().query(), "from=2026-11-26");
        assert_eq!(read("2026-06-04", " ").unwrap().words(), "Thursday 4 June 2026");
        assert_eq!(read("", "2026-06-04").unwrap().query(), "from=2026-06-04");
        assert_eq!(read("2026-06-04", "2026-06-05").unwrap().words(), "4 June 2026 to 5 June 2026");
        let part = read("2026-06-04T10:10", "2026-06-04T12:20").unwrap();
        assert_eq!(part.words(), "Thursday 4 June 2026, 10:00 to 12:30", "whole half hours");
        assert_eq!(part.query(), "from=2026-06-04T09:00:00Z&to=2026-06-04T11:30:00Z");
        let evening = read("2026-06-04T22:00", "2026-06-05T00:00").unwrap();
        assert_eq!(evening.words(), "Thursday 4 June 2026, 22:00 to 24:00");
    }

    #[test]
    fn a_span_is_known_by_the_calendar() {
        for (from, to, kind, words) in [
            ("2026-06-04", "2026-06-04", Kind::Day, "On Thursday 4 June"),
            ("2026-06-01", "2026-06-07", Kind::Week, "In the week from 1 June"),
            ("2026-06-02", "2026-06-08", Kind::Days, "From 2 June 2026 to 8 June 2026"),
            ("2026-02-01", "2026-02-28", Kind::Month, "In February 2026"),
            ("2024-01-01", "2024-12-31", Kind::Year, "In 2024"),
            ("2026-11-25", "2026-11-25", Kind::Day, "Yesterday"),
            ("2026-11-26", "2026-11-26", Kind::Day, "So far today"),
        ] {
            let span = read(from, to).unwrap();
            assert_eq!((span.kind(), span.when(now()).as_str()), (kind, words));
            assert_eq!(read(from, to).unwrap().query(), span.query());
        }
    }

    #[test]
    fn neighbours_are_those_of_the_calendar_and_none_is_to_come() {
        let both = |from, to| {
            let span = read(from, to).unwrap();
            format!("{} | {}", told(span.earlier()), told(span.later(now())))
        };
        assert_eq!(both("2026-06-01", "2026-06-01"), "from=2026-05-31 | from=2026-06-02");
        assert_eq!(
            both("2026-03-01", "2026-03-31"),
            "from=2026-02-01&to=2026-02-28 | from=2026-04-01&to=2026-04-30"
        );
        assert_eq!(both("2026-11-26", ""), "from=2026-11-25 | -");
        assert_eq!(both("2026-01-01", "2026-12-31"), "from=2025-01-01&to=2025-12-31 | -");
        assert_eq!(
            both("2026-06-04T10:00", "2026-06-04T12:00"),
            "from=2026-06-04T07:00:00Z&to=2026-06-04T09:00:00Z | from=2026-06-04T11:00:00Z&to=2026-06-04T13:00:00Z"
        );
    }

    #[test]
    fn going_closer_ends_at_half_an_hour_and_wider_at_five_years() {
        let mut span = read("2026-01-01", "2026-10-31").unwrap();
        let mut steps = 0;
        while let Some(closer) = span.nearer() {
            assert!(
                closer.from >= span.from
                    && closer.to <= span.to
                    && closer.to - closer.from < span.to - span.from
            );
            (span, steps) = (closer, steps + 1);
        }
        assert_eq!(span.to - span.from, Span::minutes(30));
        assert!(steps < 20, "{steps}");
        while let Some(wider) = span.wider(now()) {
            assert!(wider.to - wider.from > span.to - span.from);
            span = wider;
        }
        assert!(span.length_days() > MOST_DAYS as f64 / 2.0 && span.length_days() <= MOST_DAYS as f64);
    }

    #[test]
    fn units_are_about_now_where_that_is_in_the_span() {
        let units = |from, to| {
            let ways = read(from, to).unwrap().units(now());
            ways.iter()
                .map(|way| format!("{} {}{}", way.name, way.query, if way.here { " here" } else { "" }))
                .collect::<Vec<_>>()
        };
        assert_eq!(
            units("2026-11-01", "2026-11-30"),
            [
                "Day from=2026-11-26",
                "Week from=2026-11-23&to=2026-11-29",
                "Month from=2026-11-01&to=2026-11-30 here",
                "Year from=2026-01-01&to=2026-12-31"
            ]
        );
        assert_eq!(
            units("2026-06-04", "")[1..3],
            ["Week from=2026-06-01&to=2026-06-07", "Month from=2026-06-01&to=2026-06-30"]
        );
    }
}
