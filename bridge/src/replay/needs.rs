//! What each load would take, period by period, from what it took.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::tz::TimeZone;
use overspill_rules::home::{Home, Kind, LoadId};
use overspill_rules::time::{Moment, Span, WallTime};
use overspill_rules::whatif::Need;

use super::given::{Given, PluggedHours};
use crate::store::{HalfHour, StoreError, StoreReader};

/// Where a load's needs come from, in words.
pub(super) type Sources = Vec<String>;

/// The needs of every load that has some. What is `given` takes the place of the record.
///
/// # Errors
/// When the journal can't be read.
pub(super) fn needs(
    journal: &StoreReader,
    home: &Home,
    (from, to): (WallTime, WallTime),
    given: &Given,
) -> Result<(BTreeMap<LoadId, Vec<Need>>, Sources), StoreError> {
    let day = Span::hours(48);
    let half_hours = journal.half_hours(from + Span(-day.0), to + day)?;
    let (mut all, mut sources) = (BTreeMap::new(), Vec::new());
    for (i, load) in home.loads.iter().enumerate() {
        let id = LoadId(i as u16);
        let is_car = match load.kind {
            Kind::ChargePoint { .. } => true,
            Kind::Modulated { .. } => false,
            Kind::Switch { .. } => continue,
        };
        let hours = given.plugged.get(&id).filter(|_| is_car);
        let recorded = is_car && hours.is_none();
        let sessions = if recorded { sessions(journal, &load.id, (from, to))? } else { Vec::new() };
        let by = match hours {
            Some(hours) => By::Hours(*hours),
            None if !sessions.is_empty() => By::Sessions,
            None => By::Days(if is_car { 12 } else { 0 }),
        };
        let periods = match by {
            By::Hours(hours) => hours.periods(&home.timezone, (from, to)),
            By::Sessions => sessions,
            By::Days(hour) => days(&home.timezone, (from, to), hour),
        };
        // Where hours are given, what the car took until it is next plugged in belongs to them.
        let ends = periods.iter().skip(1).map(|(begin, _)| *begin).chain([to]);
        let flow = format!("load.{}", load.id);
        let list = periods.iter().zip(ends).map(|((a, b), next)| {
            let until = if matches!(by, By::Hours(_)) { next } else { *b };
            let taken = || taken_wh(&half_hours, &flow, *a, until);
            let wh = given.room.get(&id).map_or_else(taken, |kwh| kwh * 1000.0);
            Need { from: Moment(a.0), to: Moment(b.0), wh, evenly: !is_car }
        });
        let list: Vec<Need> = list.collect();
        let took_any = list.iter().any(|need| need.wh > 0.0);
        all.insert(id, list);
        sources.push(match given.room.get(&id) {
            None if !took_any => took_nothing(&load.id),
            room => source(&load.id, is_car, by, room.copied()),
        });
    }
    Ok((all, sources))
}

/// Before a load was there or driven the record can't tell what it would take.
fn took_nothing(load: &str) -> String {
    format!(
        "{load} took nothing in this time as far as the record knows, so it gets nothing here: say with --room \
         {load}=KWH what it would take."
    )
}

/// What tells the periods of a load's needs.
#[derive(Debug, Clone, Copy)]
enum By {
    Hours(PluggedHours),
    Sessions,
    Days(i8),
}

fn source(load: &str, is_car: bool, by: By, given: Option<f64>) -> String {
    let each = match (is_car, by) {
        (_, By::Hours(_)) => "each time, plugged in at the hours given",
        (true, By::Sessions) => "each time it is plugged in",
        (true, By::Days(_)) => "from noon to noon, always plugged in",
        (false, _) => "each day, used evenly, the tank half used at the beginning",
    };
    match given {
        Some(kwh) => format!("{load} takes at most {kwh} kWh {each}."),
        None => format!("{load} takes at most what it took, {each}; --room {load}=KWH says otherwise."),
    }
}

/// Local days from `hour` o'clock that have a part in the span.
fn days(zone: &TimeZone, (from, to): (WallTime, WallTime), hour: i8) -> Vec<(WallTime, WallTime)> {
    let Some(first) = from.in_zone(zone) else { return Vec::new() };
    let at = |date: jiff::civil::Date| {
        let begin = date.at(hour, 0, 0, 0).to_zoned(zone.clone()).ok()?;
        Some(WallTime(begin.timestamp().as_millisecond()))
    };
    let mut date = first.date().saturating_sub(1.day());
    let mut days = Vec::new();
    while let (Some(begin), Ok(next)) = (at(date), date.tomorrow())
        && begin < to
    {
        let Some(end) = at(next) else { break };
        if end > from {
            days.push((begin.max(from), end.min(to)));
        }
        date = next;
    }
    days
}

/// The times for which the load was plugged in; none where that was never told.
fn sessions(
    journal: &StoreReader,
    load: &str,
    (from, to): (WallTime, WallTime),
) -> Result<Vec<(WallTime, WallTime)>, StoreError> {
    let mut since = None;
    let mut sessions = Vec::new();
    for (at, plugged) in journal.plugged(load, to)? {
        match (since, plugged) {
            (None, true) => since = Some(at),
            (Some(begin), false) => {
                sessions.push((begin, at));
                since = None;
            }
            _ => {}
        }
    }
    sessions.extend(since.map(|begin| (begin, to)));
    sessions.retain(|(_, end)| *end > from);
    Ok(sessions)
}

/// Energy of a flow by its half hours, each in part where the time cuts it.
fn taken_wh(half_hours: &[HalfHour], flow: &str, from: WallTime, to: WallTime) -> f64 {
    let half = Span::minutes(30);
    let of_flow = half_hours.iter().filter(|h| h.flow == flow && h.start < to && h.start + half > from);
    let part = |h: &HalfHour| {
        let inside = ((h.start + half).min(to) - h.start.max(from)).0.max(0);
        h.kwh * inside as f64 / half.0 as f64
    };
    of_flow.map(part).sum::<f64>() * 1000.0
}
