//! Whether the home exports, how often, and at what hours.

use super::halves::{EXPORT, Half};
use super::history::History;

/// An hour counts when more than this went out in it, in kilowatt-hours.
pub const EXPORT_HOUR_KWH: f64 = 0.05;

/// The usual hours are the shortest stretch of the day that holds this share of all export.
pub const USUAL_SHARE: f64 = 0.8;

/// When the home exports.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Exports {
    /// Hours with more than [`EXPORT_HOUR_KWH`] out.
    pub hours: u32,
    /// Days with such an hour.
    pub days: u32,
    /// Days of which anything is known.
    pub days_known: u32,
    /// Energy sent out by the hour of the local day, in kilowatt-hours.
    pub by_hour: [f64; 24],
    /// The shortest stretch of whole hours, from and to just before, that holds [`USUAL_SHARE`] of all export.
    pub usual: Option<(u32, u32)>,
    /// Hours with export of each local day.
    pub(super) hours_of_day: Vec<u32>,
}

pub(super) fn exports(history: &History, halves: &[Half]) -> Exports {
    let mut exports = Exports::default();
    for day in &history.days {
        // An hour that comes twice when clocks go back is two hours.
        let mut hours = 0;
        let mut open: Option<(usize, f64, i64)> = None;
        let mut known = false;
        for place in day.slots.0..day.slots.1 {
            let (Some(slot), Some(half)) = (history.slots.get(place), halves.get(place)) else { continue };
            let cell = half.cells[EXPORT];
            known |= cell.is_known();
            let hour = slot.half / 2;
            if let Some(sum) = exports.by_hour.get_mut(hour) {
                *sum += cell.kwh;
            }
            open = match open {
                Some((same, kwh, began)) if same == hour && slot.start.0 - began < 3_600_000 => {
                    Some((hour, kwh + cell.kwh, began))
                }
                over => {
                    hours += u32::from(over.is_some_and(|(_, kwh, _)| kwh > EXPORT_HOUR_KWH));
                    Some((hour, cell.kwh, slot.start.0))
                }
            };
        }
        hours += u32::from(open.is_some_and(|(_, kwh, _)| kwh > EXPORT_HOUR_KWH));
        exports.hours += hours;
        exports.days += u32::from(hours > 0);
        exports.days_known += u32::from(known);
        exports.hours_of_day.push(hours);
    }
    exports.usual = usual(&exports.by_hour);
    exports
}

/// The shortest stretch that holds the share; of equally long ones the one that holds most.
fn usual(by_hour: &[f64; 24]) -> Option<(u32, u32)> {
    let total: f64 = by_hour.iter().sum();
    if total <= EXPORT_HOUR_KWH {
        return None;
    }
    for length in 1..=24_usize {
        let each = by_hour.windows(length).enumerate().map(|(from, part)| (from, part.iter().sum::<f64>()));
        let best = each.max_by(|(_, a), (_, b)| a.total_cmp(b));
        if let Some((from, _)) = best.filter(|(_, kwh)| *kwh >= USUAL_SHARE * total) {
            return Some((from as u32, (from + length) as u32));
        }
    }
    None
}
