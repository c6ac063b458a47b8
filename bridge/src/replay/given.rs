//! What is said about the loads of a what-if on the command line, in place of what was recorded.

use std::collections::BTreeMap;
use std::str::FromStr;

use jiff::ToSpan;
use jiff::civil::Time;
use jiff::tz::TimeZone;
use overspill_rules::home::LoadId;
use overspill_rules::input::Input;
use overspill_rules::time::WallTime;

/// What is said about loads.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Given {
    /// Kilowatt-hours that a load takes at most for each plug-in or day.
    pub room: BTreeMap<LoadId, f64>,
    /// When something is plugged in, day by day.
    pub plugged: BTreeMap<LoadId, PluggedHours>,
}

/// Times of day by the household's clock, across midnight where the end is not later.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PluggedHours {
    from: Time,
    to: Time,
}

impl FromStr for PluggedHours {
    type Err = String;

    /// `18:00-07:30`.
    fn from_str(text: &str) -> Result<PluggedHours, String> {
        let wrong = || format!("`{text}`: write two times of day, such as 18:00-07:30");
        let time = |part: &str| {
            let digits = part.len() == 5 && part.as_bytes().get(2) == Some(&b':');
            if digits { Time::from_str(part).map_err(|_| wrong()) } else { Err(wrong()) }
        };
        let (from, to) = text.split_once('-').ok_or_else(wrong)?;
        let (from, to) = (time(from)?, time(to)?);
        if from == to { Err(wrong()) } else { Ok(PluggedHours { from, to }) }
    }
}

impl PluggedHours {
    /// The times within the span for which something is plugged in.
    pub(super) fn periods(
        &self,
        zone: &TimeZone,
        (from, to): (WallTime, WallTime),
    ) -> Vec<(WallTime, WallTime)> {
        let Some(first) = from.in_zone(zone) else { return Vec::new() };
        let at = |date: jiff::civil::Date, time: Time| {
            let zoned = date.to_datetime(time).to_zoned(zone.clone()).ok()?;
            Some(WallTime(zoned.timestamp().as_millisecond()))
        };
        let mut date = first.date().saturating_sub(1.day());
        let mut periods = Vec::new();
        while let Some(begin) = at(date, self.from).filter(|begin| *begin < to)
            && let Ok(next) = date.tomorrow()
        {
            let ends_on = if self.to > self.from { date } else { next };
            let Some(end) = at(ends_on, self.to) else { break };
            if end > from {
                periods.push((begin.max(from), end.min(to)));
            }
            date = next;
        }
        periods
    }
}

/// Plugs going in and out as given, in order of time.
pub(super) struct Plugs {
    loads: Vec<LoadId>,
    edges: Vec<(WallTime, LoadId, bool)>,
    next: usize,
}

impl Plugs {
    pub(super) fn new(given: &Given, zone: &TimeZone, span: (WallTime, WallTime)) -> Plugs {
        let mut edges = Vec::new();
        for (load, hours) in &given.plugged {
            edges.push((span.0, *load, false));
            for (begin, end) in hours.periods(zone, span) {
                edges.extend([(begin, *load, true), (end, *load, false)]);
            }
        }
        // At one moment the later word holds, and a period that begins where the span does comes after its beginning.
        edges.sort_by_key(|(at, load, _)| (*at, *load));
        Plugs { loads: given.plugged.keys().copied().collect(), edges, next: 0 }
    }

    /// What goes in or out up to `at`.
    pub(super) fn news(&mut self, at: WallTime) -> Vec<(WallTime, Input)> {
        let rest = self.edges.get(self.next..).unwrap_or_default();
        let due: Vec<_> = rest.iter().take_while(|(edge, ..)| *edge <= at).copied().collect();
        self.next += due.len();
        let told = |(at, load, plugged)| (at, Input::LoadState { load, plugged: Some(plugged), ready: None });
        due.into_iter().map(told).collect()
    }

    /// Whether a recorded input is overruled by what was given.
    pub(super) fn overrule(&self, input: &Input) -> bool {
        matches!(input, Input::LoadState { load, plugged: Some(_), .. } if self.loads.contains(load))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn hours_are_those_of_the_households_clock() {
        let zone = TimeZone::get("Europe/London").unwrap();
        let wall = |text: &str| WallTime(text.parse::<jiff::Timestamp>().unwrap().as_millisecond());
        let span = (wall("2026-03-28T20:00:00Z"), wall("2026-03-30T12:00:00Z"));
        let told = |text: &str| {
            let periods = text.parse::<PluggedHours>().unwrap().periods(&zone, span);
            let told = periods.iter().map(|(a, b)| format!("{} {}", a.to_rfc3339(), b.to_rfc3339()));
            told.collect::<Vec<_>>()
        };
        // The clocks go forward on the 29th at 01:00 UTC.
        assert_eq!(
            told("18:00-07:30"),
            [
                "2026-03-28T20:00:00.000Z 2026-03-29T06:30:00.000Z",
                "2026-03-29T17:00:00.000Z 2026-03-30T06:30:00.000Z",
            ]
        );
        assert_eq!(told("09:00-10:00").len(), 2);
        for wrong in ["18:00", "18-7", "18:00-18:00", "25:00-07:00", "18:00-7:30"] {
            assert!(wrong.parse::<PluggedHours>().unwrap_err().contains("18:00-07:30"), "{wrong}");
        }
    }
}
