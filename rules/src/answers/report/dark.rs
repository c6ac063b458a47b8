//! Dark hours, and the noise of clamps in them.
//!
//! A clamp on an idle circuit reads a few watts, and what is small and always there adds up: 10 W over the dark hours of
//! a year are 44 kWh of sun that never shone. In dark half hours a mean of solar power above [`NOISE_LEAST_W`] and up to
//! [`NOISE_FLOOR_W`] is set aside and told; more than that is kept, and doubted aloud.

use jiff::tz::TimeZone;

use super::halves::{Half, SOLAR};
use super::history::{HALF_HOUR, History};
use crate::sun;
use crate::time::WallTime;

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
    /// The sun is below the horizon for the whole half hour at the home's coordinates.
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

fn by_sun(history: &History, place: (f64, f64), zone: &TimeZone) -> Vec<bool> {
    let mut dark = vec![false; history.slots.len()];
    for day in &history.days {
        let noon = day.date.at(12, 0, 0, 0).to_zoned(zone.clone()).ok();
        let Some((noon, sun)) = noon.and_then(|noon| sun::day(&noon, place).map(|sun| (noon, sun))) else {
            continue;
        };
        let always = sun.rises.is_none() && sun.sets.is_none();
        // Where the sun neither rises nor sets, noon tells whether it is up all day.
        let noon = WallTime(noon.timestamp().as_millisecond());
        let is_light = always && sun::position(noon, place).is_none_or(|p| p.is_up);
        for place in day.slots.0..day.slots.1 {
            let Some(start) = history.slots.get(place).map(|slot| slot.start) else { continue };
            let before_rise = sun.rises.is_none_or(|rise| start + HALF_HOUR <= rise);
            let after_set = sun.sets.is_none_or(|set| start >= set);
            let night = match (sun.rises, sun.sets) {
                (Some(_), Some(_)) => before_rise || after_set,
                (Some(_), None) => before_rise,
                (None, Some(_)) => after_set,
                (None, None) => !is_light,
            };
            if let Some(entry) = dark.get_mut(place) {
                *entry = night;
            }
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
