//! Prices by the time of day and the day of the week.

use jiff::tz::TimeZone;
use rust_decimal::Decimal;

use crate::time::WallTime;

/// Minutes of a day.
const DAY: usize = 24 * 60;

/// Minutes of a week.
const WEEK: usize = 7 * DAY;

/// The days of the week, as the home file names them.
const DAYS: [&str; 7] = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"];

/// Prices by the time of day and the day of the week, on a stated clock.
#[derive(Debug, Clone, PartialEq)]
pub struct Windows {
    zone: TimeZone,
    prices: Vec<Decimal>,
    /// For each minute of the week, Monday first, the place of its price.
    week: Vec<u8>,
}

/// One window.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// Its first minute, from local midnight, 0 to 1439.
    pub from: u16,
    /// The minute after its last one, 1 to 1440; not after `from` where it runs across midnight.
    pub to: u16,
    /// The days on which it begins, Monday first.
    pub days: [bool; 7],
    /// What a kilowatt-hour costs, before VAT.
    pub price: Decimal,
}

/// What windows together get wrong.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum WindowMistake {
    /// Two windows hold the same time.
    Overlap {
        /// Place of the first in the list.
        first: usize,
        /// Place of the second.
        second: usize,
        /// The first time in both, in words: "mon 23:30".
        at: String,
    },
    /// No window holds a time, and there is no price for the rest.
    Gap {
        /// Its beginning, in words.
        from: String,
        /// Its end, in words.
        to: String,
    },
}

const NONE: u8 = u8::MAX;

impl Windows {
    /// At most this many windows.
    pub const MOST: usize = 200;

    /// Windows on the clock of `zone`; `rest` is the price outside all of them.
    ///
    /// # Errors
    /// Every overlap of two windows (once for each pair), and the first gap where there is no `rest`.
    pub fn new(
        zone: TimeZone,
        rest: Option<Decimal>,
        windows: &[Window],
    ) -> Result<Windows, Vec<WindowMistake>> {
        let mut week = vec![NONE; WEEK];
        let mut mistakes = Vec::new();
        for (second, window) in windows.iter().take(Windows::MOST).enumerate() {
            let mut told = Vec::new();
            for minute in minutes(window) {
                let Some(place) = week.get_mut(minute) else { continue };
                let first = usize::from(*place);
                if *place != NONE && first != second && !told.contains(&first) {
                    told.push(first);
                    mistakes.push(WindowMistake::Overlap { first, second, at: in_words(minute) });
                }
                *place = second as u8;
            }
        }
        if let (None, Some(gap)) = (rest, gap(&week)) {
            mistakes.push(gap);
        }
        let mut prices: Vec<Decimal> = windows.iter().map(|w| w.price).collect();
        if let Some(rest) = rest {
            let place = prices.len().min(Windows::MOST) as u8;
            prices.truncate(Windows::MOST);
            prices.push(rest);
            week.iter_mut().filter(|p| **p == NONE).for_each(|p| *p = place);
        }
        if mistakes.is_empty() { Ok(Windows { zone, prices, week }) } else { Err(mistakes) }
    }

    /// The price at `at`.
    pub(super) fn at(&self, at: WallTime) -> Option<Decimal> {
        let place = *self.week.get(self.minute_of_week(at)?)?;
        self.prices.get(usize::from(place)).copied()
    }

    /// Minutes from `at` until another window holds, where that is within `within` minutes. Clocks change on whole
    /// half hours, so no such change lies within a shorter stretch.
    pub(super) fn changes_within(&self, at: WallTime, within: usize) -> Option<usize> {
        let start = self.minute_of_week(at)?;
        let place = self.week.get(start)?;
        (1..within).find(|ahead| self.week.get((start + ahead) % WEEK) != Some(place))
    }

    fn minute_of_week(&self, at: WallTime) -> Option<usize> {
        let local = at.in_zone(&self.zone)?;
        let day = usize::try_from(local.weekday().to_monday_zero_offset()).ok()?;
        Some(day * DAY + usize::from(local.hour() as u16) * 60 + usize::from(local.minute() as u16))
    }
}

/// The minutes of the week that a window holds.
fn minutes(window: &Window) -> impl Iterator<Item = usize> + '_ {
    let (from, to) = (usize::from(window.from), usize::from(window.to));
    let length = if to > from { to - from } else { DAY - from + to };
    let days = (0..7).filter(|day| window.days[*day]);
    days.flat_map(move |day| (0..length).map(move |m| (day * DAY + from + m) % WEEK))
}

/// The first stretch of the week that no window holds; one that runs over Sunday midnight is told from its start.
fn gap(week: &[u8]) -> Option<WindowMistake> {
    let free = |minute: usize| week.get(minute % WEEK) == Some(&NONE);
    let start = (0..WEEK).find(|m| free(*m) && !free(m + WEEK - 1)).or_else(|| free(0).then_some(0))?;
    let end = (start + 1..=start + WEEK).find(|m| !free(*m)).unwrap_or(start + WEEK);
    Some(WindowMistake::Gap { from: in_words(start), to: in_words(end) })
}

fn in_words(minute: usize) -> String {
    let (day, minute) = ((minute / DAY) % 7, minute % DAY);
    format!("{} {:02}:{:02}", DAYS[day], minute / 60, minute % 60)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn window(from: u16, to: u16, days: &[usize], price: &str) -> Window {
        let mut on = [false; 7];
        days.iter().for_each(|d| on[*d] = true);
        Window { from, to, days: on, price: price.parse().unwrap() }
    }

    const EVERY: [usize; 7] = [0, 1, 2, 3, 4, 5, 6];

    fn at(windows: &Windows, utc: &str) -> String {
        let wall = WallTime(utc.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        windows.at(wall).unwrap().to_string()
    }

    fn night(zone: TimeZone) -> Windows {
        let rest = Some("0.28".parse().unwrap());
        Windows::new(zone, rest, &[window(30, 330, &EVERY, "0.09")]).unwrap()
    }

    #[test]
    fn windows_follow_the_clock_that_they_name() {
        let london = night(TimeZone::get("Europe/London").unwrap());
        // 00:30 to 05:30 on the clock: in summer an hour earlier by UTC.
        assert_eq!(at(&london, "2026-01-10T00:29:59Z"), "0.28");
        assert_eq!(at(&london, "2026-01-10T00:30:00Z"), "0.09");
        assert_eq!(at(&london, "2026-07-10T04:29:59Z"), "0.09");
        assert_eq!(at(&london, "2026-07-10T04:30:00Z"), "0.28");
        // A meter on winter time all year.
        let winter = night(TimeZone::UTC);
        assert_eq!(at(&winter, "2026-07-10T04:30:00Z"), "0.09");
    }

    #[test]
    fn a_window_across_midnight_belongs_to_the_day_on_which_it_begins() {
        let rest = Some(Decimal::ONE);
        let friday = Windows::new(TimeZone::UTC, rest, &[window(22 * 60, 6 * 60, &[4], "0.1")]).unwrap();
        // 2026-06-05 is a Friday.
        assert_eq!(at(&friday, "2026-06-05T05:00:00Z"), "1");
        assert_eq!(at(&friday, "2026-06-05T22:00:00Z"), "0.1");
        assert_eq!(at(&friday, "2026-06-06T05:59:00Z"), "0.1");
        assert_eq!(at(&friday, "2026-06-06T22:00:00Z"), "1");
        // From Sunday into Monday.
        let sunday = Windows::new(TimeZone::UTC, rest, &[window(22 * 60, 6 * 60, &[6], "0.1")]).unwrap();
        assert_eq!(at(&sunday, "2026-06-08T05:59:00Z"), "0.1");
    }

    #[test]
    fn overlaps_and_gaps_are_told_with_their_place() {
        let day = window(5 * 60, 23 * 60 + 30, &EVERY, "0.3");
        let early = window(30, 5 * 60 + 30, &EVERY, "0.1");
        let found = Windows::new(TimeZone::UTC, None, &[day.clone(), early.clone()]).unwrap_err();
        let overlap = WindowMistake::Overlap { first: 0, second: 1, at: "mon 05:00".to_owned() };
        let gap = WindowMistake::Gap { from: "mon 23:30".to_owned(), to: "tue 00:30".to_owned() };
        assert_eq!(found, [overlap, gap]);
        let whole = Windows::new(TimeZone::UTC, None, &[window(0, 1440, &EVERY, "0.3")]);
        assert!(whole.is_ok());
        let nothing = Windows::new(TimeZone::UTC, None, &[]).unwrap_err();
        assert_eq!(
            nothing,
            [WindowMistake::Gap { from: "mon 00:00".to_owned(), to: "mon 00:00".to_owned() }]
        );
    }

    #[test]
    fn the_next_change_is_found_to_the_minute() {
        let odd = Windows::new(TimeZone::UTC, Some(Decimal::ONE), &[window(25, 445, &EVERY, "0.1")]).unwrap();
        let wall = |utc: &str| WallTime(utc.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        assert_eq!(odd.changes_within(wall("2026-06-05T00:00:00Z"), 30), Some(25));
        assert_eq!(odd.changes_within(wall("2026-06-05T00:30:00Z"), 30), None);
    }
}
