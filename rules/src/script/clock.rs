//! The household's clock: local times of day as instants, right on the days when the clocks change.

use std::collections::BTreeMap;
use std::sync::{Mutex, PoisonError};

use jiff::ToSpan;
use jiff::civil::Date;
use jiff::tz::{AmbiguousOffset, TimeZone};
use jiff::{Timestamp, Zoned};

use crate::time::WallTime;

/// A time of day in minutes since local midnight, 0 to 1440.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct TimeOfDay(u16);

/// Minutes of a day.
const DAY: u16 = 24 * 60;

impl TimeOfDay {
    /// Local midnight.
    pub(super) const MIDNIGHT: TimeOfDay = TimeOfDay(0);

    /// Reads `"05:30"`; `"24:00"` is the end of the day.
    ///
    /// # Errors
    /// A sentence that says how to write it.
    pub(crate) fn parse(text: &str) -> Result<TimeOfDay, String> {
        time_of_day(text).ok_or_else(|| {
            format!(
                "`{text}` is no time of day: write it with two digits each, such as \"05:30\" or \"22:00\""
            )
        })
    }
}

fn time_of_day(text: &str) -> Option<TimeOfDay> {
    let (hour, minute) = text.split_once(':')?;
    let two_digits = |part: &str| part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
    if !two_digits(hour) || !two_digits(minute) {
        return None;
    }
    let (hour, minute): (u16, u16) = (hour.parse().ok()?, minute.parse().ok()?);
    let at = TimeOfDay(hour * 60 + minute);
    (minute < 60 && at.0 <= DAY).then_some(at)
}

/// Whether the clock on the wall shows a time from `start` until before `end`, across midnight where `end` is earlier.
pub(super) fn is_between(now: &Zoned, start: TimeOfDay, end: TimeOfDay) -> bool {
    let shown = TimeOfDay(now.hour() as u16 * 60 + now.minute() as u16);
    if start < end { start <= shown && shown < end } else { shown >= start || shown < end }
}

/// When the clock showed a time of day last, and when something happens to it next.
#[derive(Debug, Clone, Copy)]
pub(super) struct Around {
    /// The last instant at which the clock showed it.
    pub(super) last: Option<WallTime>,
    /// The next one, or the change of the clocks before that.
    pub(super) next: Option<WallTime>,
}

/// Times of day that a program keeps in mind; a rule asks for a handful.
const KEPT_IN_MIND: usize = 64;

/// What was found around each time of day, with the instant for which. It is the same until `next` comes, and dear to
/// work out.
#[derive(Debug, Default)]
pub(super) struct Memo(Mutex<BTreeMap<TimeOfDay, (WallTime, Around)>>);

impl Memo {
    /// What there is around `now`, in the zone of `now`, which is always the home's.
    pub(super) fn around(&self, now: &Zoned, time: TimeOfDay) -> Around {
        let at = WallTime(now.timestamp().as_millisecond());
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((since, around)) = known.get(&time)
            && *since <= at
            && around.next.is_some_and(|next| at < next)
        {
            return *around;
        }
        let around = Around { last: last(now, time), next: next(now, time) };
        if known.len() >= KEPT_IN_MIND {
            known.clear();
        }
        known.insert(time, (at, around));
        around
    }
}

/// The next instant after `now` at which the clock shows `time`, or at which the clocks change before that.
fn next(now: &Zoned, time: TimeOfDay) -> Option<WallTime> {
    let found = next_instant(now, time)?;
    let zone = now.time_zone();
    let change =
        if zone.to_offset(found) == now.offset() { None } else { change_after(zone, now.timestamp()) };
    Some(WallTime(change.map_or(found, |c| c.min(found)).as_millisecond()))
}

/// The next instant after `now` at which the clock shows `time`.
pub(super) fn next_shown(now: &Zoned, time: TimeOfDay) -> Option<WallTime> {
    next_instant(now, time).map(|at| WallTime(at.as_millisecond()))
}

fn next_instant(now: &Zoned, time: TimeOfDay) -> Option<Timestamp> {
    (0..=2)
        .filter_map(|ahead| now.date().checked_add(ahead.days()).ok())
        .flat_map(|date| instants(now.time_zone(), date, time))
        .flatten()
        .find(|at| *at > now.timestamp())
}

/// The last instant up to `now` at which the clock showed `time`.
fn last(now: &Zoned, time: TimeOfDay) -> Option<WallTime> {
    (0..=2)
        .filter_map(|back| now.date().checked_sub(back.days()).ok())
        .flat_map(|date| {
            let [first, second] = instants(now.time_zone(), date, time);
            [second, first]
        })
        .flatten()
        .find(|at| *at <= now.timestamp())
        .map(|at| WallTime(at.as_millisecond()))
}

/// The instants of `date` at which the clock shows `time`, in order: one, two where the hour is repeated, and the
/// change itself where it is skipped.
fn instants(zone: &TimeZone, date: Date, time: TimeOfDay) -> [Option<Timestamp>; 2] {
    let minute = time.0 % DAY;
    let shown = date.at((minute / 60) as i8, (minute % 60) as i8, 0, 0);
    match zone.to_ambiguous_timestamp(shown).offset() {
        AmbiguousOffset::Unambiguous { offset } => [offset.to_timestamp(shown).ok(), None],
        AmbiguousOffset::Fold { before, after } => {
            [before.to_timestamp(shown).ok(), after.to_timestamp(shown).ok()]
        }
        AmbiguousOffset::Gap { after, .. } => {
            [after.to_timestamp(shown).ok().and_then(|before_it| change_after(zone, before_it)), None]
        }
    }
}

fn change_after(zone: &TimeZone, at: Timestamp) -> Option<Timestamp> {
    zone.following(at).next().map(|change| change.timestamp())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn local(text: &str) -> Zoned {
        text.parse::<Timestamp>().unwrap().to_zoned(TimeZone::get("Europe/London").unwrap())
    }

    fn at(text: &str) -> TimeOfDay {
        TimeOfDay::parse(text).unwrap()
    }

    fn utc(wall: Option<WallTime>) -> String {
        wall.unwrap().to_rfc3339()
    }

    /// Half hours of the local day of `noon` in which the clock shows a time of the window.
    fn half_hours(noon: &str, start: &str, end: &str) -> usize {
        let noon = local(noon);
        let mut at_half = noon.start_of_day().unwrap();
        let mut count = 0;
        while at_half.date() == noon.date() {
            count += usize::from(is_between(&at_half, at(start), at(end)));
            at_half = at_half.checked_add(30.minutes()).unwrap();
        }
        count
    }

    #[test]
    fn times_of_day_are_read_strictly() {
        assert_eq!(TimeOfDay::parse("05:30"), Ok(TimeOfDay(330)));
        assert_eq!(TimeOfDay::parse("24:00"), Ok(TimeOfDay(1440)));
        for text in ["", "5:30", "05:60", "24:01", "05:30:00", "ab:cd", "-1:30", "05.30"] {
            assert!(TimeOfDay::parse(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_window_holds_eight_ten_or_twelve_half_hours() {
        assert_eq!(half_hours("2026-03-29T12:00:00Z", "00:30", "05:30"), 8);
        assert_eq!(half_hours("2026-06-01T12:00:00Z", "00:30", "05:30"), 10);
        assert_eq!(half_hours("2026-10-25T12:00:00Z", "00:30", "05:30"), 12);
    }

    #[test]
    fn a_window_across_midnight_holds_both_ends() {
        assert_eq!(half_hours("2026-06-01T12:00:00Z", "22:00", "06:00"), 16);
        assert_eq!(half_hours("2026-06-01T12:00:00Z", "22:00", "24:00"), 4);
        assert_eq!(half_hours("2026-06-01T12:00:00Z", "00:00", "24:00"), 48);
    }

    #[test]
    fn the_next_time_is_found_across_changes_of_the_clocks() {
        // An ordinary day, British summer time.
        assert_eq!(utc(next(&local("2026-06-01T10:00:00Z"), at("05:30"))), "2026-06-02T04:30:00.000Z");
        assert_eq!(utc(next(&local("2026-06-01T10:00:00Z"), at("24:00"))), "2026-06-01T23:00:00.000Z");
        // 01:30 is skipped on 29 March: the change stands for it.
        assert_eq!(utc(next(&local("2026-03-29T00:10:00Z"), at("01:30"))), "2026-03-29T01:00:00.000Z");
        // The clocks change before 05:30 comes.
        assert_eq!(utc(next(&local("2026-03-29T00:10:00Z"), at("05:30"))), "2026-03-29T01:00:00.000Z");
        assert_eq!(utc(next(&local("2026-03-29T01:00:00Z"), at("05:30"))), "2026-03-29T04:30:00.000Z");
        // 01:30 comes twice on 25 October.
        assert_eq!(utc(next(&local("2026-10-25T00:10:00Z"), at("01:30"))), "2026-10-25T00:30:00.000Z");
        assert_eq!(utc(next(&local("2026-10-25T01:00:00Z"), at("01:30"))), "2026-10-25T01:30:00.000Z");
    }

    #[test]
    fn the_last_time_is_found_across_changes_of_the_clocks() {
        assert_eq!(utc(last(&local("2026-06-01T10:59:59Z"), at("12:00"))), "2026-05-31T11:00:00.000Z");
        assert_eq!(utc(last(&local("2026-06-01T11:00:00Z"), at("12:00"))), "2026-06-01T11:00:00.000Z");
        // 23 hours back across the spring change, 25 across the autumn one.
        assert_eq!(utc(last(&local("2026-03-29T10:59:00Z"), at("12:00"))), "2026-03-28T12:00:00.000Z");
        assert_eq!(utc(last(&local("2026-10-25T11:59:00Z"), at("12:00"))), "2026-10-24T11:00:00.000Z");
        // Of a repeated 01:30 the later one that has come.
        assert_eq!(utc(last(&local("2026-10-25T01:10:00Z"), at("01:30"))), "2026-10-25T00:30:00.000Z");
        assert_eq!(utc(last(&local("2026-10-25T01:40:00Z"), at("01:30"))), "2026-10-25T01:30:00.000Z");
        // Of a skipped 01:30 the change.
        assert_eq!(utc(last(&local("2026-03-29T01:10:00Z"), at("01:30"))), "2026-03-29T01:00:00.000Z");
    }

    /// What is kept in mind is what would be worked out afresh, also where the clocks change.
    #[test]
    fn a_memory_of_times_says_the_same() {
        for begin in ["2026-03-27T20:00:00Z", "2026-10-23T20:00:00Z"] {
            let (memo, mut now) = (Memo::default(), local(begin));
            for step in 0..900 {
                for time in ["00:00", "01:30", "02:00", "12:00", "24:00"].map(at) {
                    let kept = memo.around(&now, time);
                    let fresh = (last(&now, time), next(&now, time));
                    assert_eq!((kept.last, kept.next), fresh, "{now} {time:?}");
                }
                now = now.checked_add(jiff::SignedDuration::from_secs(300 + step % 7 * 13)).unwrap();
            }
            // Time that goes back is no trouble either.
            let back = local(begin);
            assert_eq!(memo.around(&back, at("12:00")).next, next(&back, at("12:00")));
        }
    }
}
