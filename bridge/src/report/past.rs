//! The span before and the same span a year ago, to compare with.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::tz::TimeZone;
use overspill_rules::time::{Span, WallTime};

use crate::store::{StoreError, StoreReader};

/// A span is compared with where at least so much of it is known.
const COMPARED_FROM: f64 = 0.5;

/// Means of another span, from its local days.
#[derive(Debug, Clone, PartialEq)]
pub struct Past {
    /// The beginning and the end.
    pub span: (WallTime, WallTime),
    /// The share of it that is known, by flow, and kilowatt-hours for each day that is known.
    flows: BTreeMap<String, (f64, f64)>,
}

impl Past {
    /// The share of the span that is known of a flow, 0 to 1.
    pub fn covered(&self, flow: &str) -> f64 {
        self.flows.get(flow).map_or(0.0, |(covered, _)| *covered)
    }

    /// Kilowatt-hours a day of the time that is known; `None` where less than half of the span is.
    pub fn a_day(&self, flow: &str) -> Option<f64> {
        self.flows.get(flow).filter(|(covered, _)| *covered >= COMPARED_FROM).map(|(_, kwh)| *kwh)
    }

    /// Whether anything can be compared.
    pub fn is_known(&self) -> bool {
        self.flows.values().any(|(covered, _)| *covered >= COMPARED_FROM)
    }
}

/// What the local days that begin in `span` hold.
pub(super) fn past(journal: &StoreReader, span: (WallTime, WallTime)) -> Result<Past, StoreError> {
    let length_s = (span.1 - span.0).as_seconds();
    let mut sums: BTreeMap<String, (f64, f64)> = BTreeMap::new();
    for day in journal.days(span.0, span.1)? {
        let sum = sums.entry(day.flow).or_default();
        sum.0 += day.kwh;
        sum.1 += day.covered_s;
    }
    let each = sums.into_iter().filter(|(_, (_, seconds))| *seconds > 0.0);
    let flows = each
        .map(|(flow, (kwh, seconds))| (flow, ((seconds / length_s).min(1.0), kwh / (seconds / 86_400.0))));
    Ok(Past { span, flows: flows.collect() })
}

/// The span of the same length just before: as many local days, where the span begins with one.
pub(super) fn before((from, to): (WallTime, WallTime), zone: &TimeZone) -> (WallTime, WallTime) {
    let days = ((to - from).as_hours() / 24.0).round() as i64;
    let back = from.in_zone(zone).and_then(|local| local.checked_sub(days.max(1).days()).ok());
    let begin = back.map(|local| WallTime(local.timestamp().as_millisecond()));
    (begin.unwrap_or(from + Span((from - to).0)), from)
}

/// The same span a year earlier by the calendar.
pub(super) fn year_ago((from, to): (WallTime, WallTime), zone: &TimeZone) -> Option<(WallTime, WallTime)> {
    let back = |at: WallTime| {
        let local = at.in_zone(zone)?.checked_sub(1.year()).ok()?;
        Some(WallTime(local.timestamp().as_millisecond()))
    };
    Some((back(from)?, back(to)?))
}
