//! Dark hours, and the noise of clamps in them.
//!
//! A clamp on an idle circuit reads a few watts, and what is small and always there adds up: 10 W over the dark hours of
//! a year are 44 kWh of sun that never shone. In dark half hours a mean of solar power above [`NOISE_LEAST_W`] and up to
//! [`NOISE_FLOOR_W`] is set aside and told; more than that is kept, and doubted aloud.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::halves::{Half, SOLAR};
use super::history::{HALF_HOUR, History};
use crate::sun;
use crate::time::{Span, WallTime};

const DAY: Span = Span::hours(24);

/// Up to this mean power, solar readings in the dark are taken for noise, in watts. A clamp of class 1 promises nothing
/// below 5 % of its rating (IEC 61869-2:2012, 5.6.201), and a few tenths of a percent of 100 A are common practice.
pub const NOISE_FLOOR_W: f64 = 20.0;

/// Up to this it is left as it is, in watts: over the dark hours of a year it makes 2 kWh, and a sum stays what anyone finds
/// who adds up the readings.
pub const NOISE_LEAST_W: f64 = 0.5;

/// Without coordinates a night is a stretch of at least so many half hours in which solar power stays at the noise floor.
const QUIET_HALF_HOURS: usize = 8;

/// And so many half hours at both of its ends are left alone, since dawn and dusk are as faint.
const TWILIGHT_HALF_HOURS: usize = 2;

/// How dark half hours were found.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DarkBy {
    /// The sun is below the horizon for the whole half hour at the home's coordinates, with ten minutes to spare.
    Sun,
    /// No coordinates are known: long stretches over midnight at the noise floor and mostly noisy, less an hour at both
    /// ends. Noise is there all night; a few watts between zeros are a dim day.
    Quiet,
}

/// Which half hours are dark.
pub(super) fn dark(
    history: &History,
    halves: &[Half],
    place: Option<(f64, f64)>,
    zone: &TimeZone,
) -> (Vec<bool>, DarkBy) {
    match place {
        Some(place) => (by_sun(history, place, zone), DarkBy::Sun),
        None => (by_quiet(history, halves), DarkBy::Quiet),
    }
}

/// The sun is asked for every so many days, since that is dear; what lies between is taken from both ends.
const SUN_EVERY_DAYS: usize = 7;

/// And so much at both ends of a night is left alone, more than a week's course bends and a time from the noon is off.
const SUN_MARGIN: Span = Span::minutes(10);

/// When the sun rises and sets, from the mean solar noon of the place; `None` where it does not do both.
type Light = Option<(Span, Span)>;

/// Time from the nearest mean solar noon at a longitude, from half a day before to half a day after.
fn from_noon(at: WallTime, longitude: f64) -> Span {
    let noon = Span::hours(12) + Span::hours(24).times(-longitude / 360.0);
    Span((at.0 - noon.0 + DAY.0 / 2).rem_euclid(DAY.0) - DAY.0 / 2)
}

fn light(date: Date, place: (f64, f64), zone: &TimeZone) -> Light {
    let noon = date.at(12, 0, 0, 0).to_zoned(zone.clone()).ok()?;
    let noon = WallTime(noon.timestamp().as_millisecond());
    let (before, after) = sun::around_noon(noon + (Span::ZERO - from_noon(noon, place.1)), place)?;
    Some((Span::ZERO - before, after))
}

fn by_sun(history: &History, place: (f64, f64), zone: &TimeZone) -> Vec<bool> {
    let mut anchors: BTreeMap<usize, Light> = BTreeMap::new();
    let last = history.days.len().saturating_sub(1);
    let mut dark = Vec::with_capacity(history.slots.len());
    for (i, day) in history.days.iter().enumerate() {
        let mut at = |i: usize| {
            let date = history.days.get(i)?.date;
            *anchors.entry(i).or_insert_with(|| light(date, place, zone))
        };
        let before = i / SUN_EVERY_DAYS * SUN_EVERY_DAYS;
        let both = at(before).zip(at((before + SUN_EVERY_DAYS).min(last)));
        let slots = history.slots.get(day.slots.0..day.slots.1).into_iter().flatten();
        match both {
            Some(((rise, set), (other_rise, other_set))) => {
                let (rise, set) = (rise.min(other_rise) - SUN_MARGIN, set.max(other_set) + SUN_MARGIN);
                dark.extend(slots.map(|slot| {
                    let begins = from_noon(slot.start, place.1);
                    begins >= set || begins + HALF_HOUR <= rise
                }));
            }
            // Near the poles each half hour is looked at by itself.
            None => dark.extend(slots.map(|slot| {
                let is_up = |at| sun::position(at, place).is_none_or(|sun| sun.is_up);
                !is_up(slot.start) && !is_up(slot.start + HALF_HOUR)
            })),
        }
    }
    dark
}

fn by_quiet(history: &History, halves: &[Half]) -> Vec<bool> {
    let quiet = |half: &Half| {
        let solar = half.cells[SOLAR];
        solar.is_known() && solar.mean_w().abs() <= NOISE_FLOOR_W
    };
    let mut dark = vec![false; halves.len()];
    let mut begin = 0;
    for end in 0..=halves.len() {
        if halves.get(end).is_some_and(quiet) {
            continue;
        }
        let midnight = history.slots.get(begin..end).into_iter().flatten().any(|slot| slot.half == 0);
        if end - begin >= QUIET_HALF_HOURS && midnight {
            let inner = begin + TWILIGHT_HALF_HOURS..end - TWILIGHT_HALF_HOURS;
            let above = halves
                .get(inner.clone())
                .into_iter()
                .flatten()
                .filter(|half| half.cells[SOLAR].mean_w() > NOISE_LEAST_W);
            if above.count() * 2 > inner.len() {
                dark.get_mut(inner).into_iter().flatten().for_each(|entry| *entry = true);
            }
        }
        begin = end + 1;
    }
    dark
}

/// Sets noise aside: from the roof, and from the house where that was worked out from the roof.
pub(super) fn set_noise_aside(halves: &mut [Half], dark: &[bool], house_is_measured: bool) {
    for (half, _) in halves.iter_mut().zip(dark).filter(|(_, dark)| **dark) {
        let solar = half.cells[SOLAR];
        if solar.mean_w() <= NOISE_LEAST_W || solar.mean_w() > NOISE_FLOOR_W {
            continue;
        }
        half.noise_kwh = solar.kwh;
        half.cells[SOLAR].kwh = 0.0;
        half.cells[SOLAR].peak = None;
        let house = &mut half.cells[super::halves::HOUSE];
        if !house_is_measured && house.is_known() {
            house.kwh -= solar.kwh;
        }
    }
}
