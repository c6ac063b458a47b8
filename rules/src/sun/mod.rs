//! Where the sun stands over the home, and when it rises and sets.
//!
//! The positions are those of the Solar Position Algorithm (Reda and Andreas, NREL/TP-560-34302, rev. 2008), checked
//! against its worked example in `tests/tests/sun.rs`. Rise and set are of the upper limb at a level horizon with the
//! usual refraction: the centre stands 0.8333 degrees below it (the same report, A.2).

use jiff::Zoned;
use jiff::civil::Date;
use solar_positioning::time::JulianDate;
use solar_positioning::{Horizon, Location, RefractionCorrection, SolarEvents, SolarPositions};

use crate::time::{Span, WallTime};

/// Degrees by which the sun's centre stands below the horizon when its upper limb rises or sets.
const LIMB_AND_REFRACTION_DEG: f64 = 0.8333;

/// Terrestrial time less universal time, in seconds: 69.1 in 2026 and nearly constant since 2017 (IERS bulletins, from
/// memory). A second of it moves the sun's place by less than 0.00002 degrees.
const DELTA_T_S: f64 = 69.1;

/// Julian date of 1970-01-01T00:00:00Z.
const UNIX_EPOCH_JD: f64 = 2_440_587.5;

const DAY_MS: f64 = 86_400_000.0;

/// Where the sun stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SunPosition {
    /// Degrees above the horizon as seen through air at 1010 hPa and 10 degrees; negative below.
    pub elevation_deg: f64,
    /// Degrees from north, clockwise: 90 is east, 180 south.
    pub azimuth_deg: f64,
    /// Whether any of its disc is above the horizon.
    pub is_up: bool,
}

/// When the sun rises and sets on one local date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SunDay {
    /// The first rise of the date; `None` where it does not rise.
    pub rises: Option<WallTime>,
    /// The last set of the date; `None` where it does not set.
    pub sets: Option<WallTime>,
}

fn location((latitude, longitude): (f64, f64)) -> Location {
    Location { latitude, longitude }
}

fn julian(at: WallTime) -> f64 {
    at.0 as f64 / DAY_MS + UNIX_EPOCH_JD
}

fn wall(julian: f64) -> WallTime {
    WallTime(((julian - UNIX_EPOCH_JD) * DAY_MS).round() as i64)
}

/// Where the sun stands at `at` over a place given in degrees north and east; `None` for no place on earth or a time out
/// of the algorithm's range (years -2000 to 6000).
pub fn position(at: WallTime, place: (f64, f64)) -> Option<SunPosition> {
    let time = JulianDate::new(julian(at), DELTA_T_S).ok()?;
    let prepared = SolarPositions::new().for_time_from_julian(time).ok()?;
    let seen = prepared.at(location(place), 0.0, Some(RefractionCorrection::standard())).ok()?;
    let true_elevation = prepared.at(location(place), 0.0, None).ok()?.elevation_angle();
    Some(SunPosition {
        elevation_deg: seen.elevation_angle(),
        azimuth_deg: seen.azimuth(),
        is_up: true_elevation > -LIMB_AND_REFRACTION_DEG,
    })
}

/// When the sun rises and sets around a noon, from where it stands then: how long before and after `noon`. A hundred times
/// as fast as [`day`] and right to two minutes up to 60 degrees of latitude, since the declination of noon is taken for
/// the whole day. `None` where it does not do both, for no place on earth, or a time out of range.
pub(crate) fn around_noon(noon: WallTime, place: (f64, f64)) -> Option<(Span, Span)> {
    let time = JulianDate::new(julian(noon), DELTA_T_S).ok()?;
    let seen = SolarPositions::new().for_time_from_julian(time).ok()?.at(location(place), 0.0, None).ok()?;
    let (height, azimuth) = (seen.elevation_angle().to_radians(), seen.azimuth().to_radians());
    let (latitude, horizon) = (place.0.to_radians(), -LIMB_AND_REFRACTION_DEG.to_radians());
    let declination = (height.sin() * latitude.sin() + height.cos() * latitude.cos() * azimuth.cos()).asin();
    let hour_angle = (-azimuth.sin() * height.cos() / declination.cos()).asin();
    let half_day =
        ((horizon.sin() - latitude.sin() * declination.sin()) / (latitude.cos() * declination.cos())).acos();
    let time = |angle: f64| Span((angle / std::f64::consts::TAU * DAY_MS).round() as i64);
    half_day.is_finite().then(|| (time(hour_angle + half_day), time(half_day - hour_angle)))
}

/// When the sun rises and sets on the local date of `day`, over a place given in degrees north and east; `None` for no
/// place on earth or a date out of range.
pub fn day(day: &Zoned, place: (f64, f64)) -> Option<SunDay> {
    let start = day.start_of_day().ok()?;
    let end = day.tomorrow().ok()?.start_of_day().ok()?;
    let at = |z: &Zoned| julian(WallTime(z.timestamp().as_millisecond()));
    let events = SolarEvents::new();
    let (from, to, place) = (at(&start), at(&end), location(place));
    let next = |from, rise: bool| match rise {
        true => events.next_rise_from_julian(from, to, place, DELTA_T_S, Horizon::SunriseSunset),
        false => events.next_set_from_julian(from, to, place, DELTA_T_S, Horizon::SunriseSunset),
    };
    let rises = next(from, true).ok()?;
    let first_set = next(from, false).ok()?;
    // Near the polar circles a date may begin in the light of the day before: the set that counts follows the rise.
    let after_rise = match rises {
        Some(rise) => next(rise, false).ok()?,
        None => None,
    };
    Some(SunDay { rises: rises.map(wall), sets: after_rise.or(first_set).map(wall) })
}

/// Rise and set of the last date asked for. They are the same for a whole day, and dear to work out.
#[derive(Debug, Default)]
pub(crate) struct Memo(std::sync::Mutex<Option<(Date, SunDay)>>);

impl Memo {
    /// As [`day`].
    pub(crate) fn day(&self, local: &Zoned, place: (f64, f64)) -> Option<SunDay> {
        let mut last = self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        match *last {
            Some((date, found)) if date == local.date() => Some(found),
            _ => {
                let found = day(local, place)?;
                *last = Some((local.date(), found));
                Some(found)
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use jiff::{ToSpan, civil::date, tz::TimeZone};

    use super::*;

    /// Against the search for rise and set over a whole year.
    #[test]
    fn a_day_is_told_from_its_noon_to_two_minutes() {
        for place in [(51.5, -0.1), (60.0, 25.0), (-36.8, 5.0), (0.0, 0.0), (-60.0, -20.0)] {
            for n in (0..365).step_by(3) {
                let noon = date(2026, 1, 1).at(12, 0, 0, 0).to_zoned(TimeZone::UTC).unwrap() + n.days();
                let sun = day(&noon, place).unwrap();
                let at = WallTime(noon.timestamp().as_millisecond());
                let (before, after) = around_noon(at, place).unwrap();
                let rise = (at + (Span::ZERO - before)).0 - sun.rises.unwrap().0;
                let set = (at + after).0 - sun.sets.unwrap().0;
                assert!(rise.abs() < 120_000 && set.abs() < 120_000, "{place:?} {noon}: {rise} and {set} ms");
            }
        }
    }

    #[test]
    fn a_day_without_rise_or_set_is_none() {
        let noon = |month| {
            let noon = date(2026, month, 21).at(11, 0, 0, 0).to_zoned(TimeZone::UTC).unwrap();
            WallTime(noon.timestamp().as_millisecond())
        };
        assert_eq!(around_noon(noon(6), (69.6, 18.9)), None);
        assert_eq!(around_noon(noon(12), (69.6, 18.9)), None);
        assert!(around_noon(noon(3), (69.6, 18.9)).is_some());
    }
}
