//! The roof under broken cloud.

use std::f64::consts::TAU;

use jiff::tz::TimeZone;

use super::chance::Chance;
use crate::time::WallTime;

/// Power of the roof with the sun overhead, in watts.
const ROOF_W: f64 = 6000.0;

/// Degrees north.
const LATITUDE: f64 = 51.5;

/// Shape of the loss through more air at a lower sun: 1 would be a flat roof in space. A guess that looks right.
const AIR: f64 = 1.2;

/// Sun and clouds.
#[derive(Debug, Clone)]
pub(super) struct Sky {
    chance: Chance,
    /// Share of the clear sky's power that comes through now.
    clear: f64,
    /// Where `clear` moves to: the edge of a cloud takes its time.
    towards: f64,
    /// How fast, per second.
    pace: f64,
    /// Seconds until the next edge.
    next_edge: f64,
    cloudy: bool,
}

impl Sky {
    pub(super) fn new(seed: u64) -> Sky {
        Sky {
            chance: Chance::new(seed, 1),
            clear: 1.0,
            towards: 1.0,
            pace: 0.02,
            next_edge: 400.0,
            cloudy: false,
        }
    }

    /// One second passes; the roof's power in watts.
    pub(super) fn second(&mut self, wall: WallTime) -> f64 {
        self.next_edge -= 1.0;
        if self.next_edge <= 0.0 {
            self.edge();
        }
        let gap = self.towards - self.clear;
        self.clear += gap.clamp(-self.pace, self.pace);
        clear_sky_w(wall) * self.clear
    }

    /// A cloud comes, for 1 to 5 minutes, or goes, for 3 to 14.
    fn edge(&mut self) {
        self.cloudy = !self.cloudy;
        let (towards, minutes) = if self.cloudy {
            (self.chance.between(0.25, 0.6), self.chance.between(1.0, 5.0))
        } else {
            (self.chance.between(0.92, 1.0), self.chance.between(3.0, 14.0))
        };
        self.towards = towards;
        self.next_edge = minutes * 60.0;
        self.pace = self.chance.between(0.01, 0.04);
    }
}

/// The roof's power under a clear sky, in watts: the height of the sun at the home's latitude on the meridian of
/// Greenwich, without the equation of time (a minute in June), through more air when it is low.
fn clear_sky_w(wall: WallTime) -> f64 {
    let day = wall.in_zone(&TimeZone::UTC).map_or(1.0, |time| f64::from(time.day_of_year()));
    // P. I. Cooper, "The absorption of radiation in solar stills", Solar Energy 12 (1969).
    let declination = (23.45_f64).to_radians() * (TAU * (284.0 + day) / 365.0).sin();
    let hours = wall.0.rem_euclid(86_400_000) as f64 / 3_600_000.0;
    let hour_angle = TAU * (hours - 12.0) / 24.0;
    let latitude = LATITUDE.to_radians();
    let height = latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    ROOF_W * height.max(0.0).powf(AIR)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-06-18 at this hour, UTC.
    fn at(hour: i64) -> WallTime {
        WallTime(1_781_740_800_000 + hour * 3_600_000)
    }

    #[test]
    fn a_summer_day_is_dark_at_night_and_highest_at_noon() {
        assert_eq!(clear_sky_w(at(0)), 0.0);
        assert_eq!(clear_sky_w(at(23)), 0.0);
        let noon = clear_sky_w(at(12));
        assert!((5000.0..5600.0).contains(&noon), "{noon}");
        assert!(clear_sky_w(at(10)) < noon && clear_sky_w(at(14)) < noon);
    }

    #[test]
    fn clouds_come_and_go() {
        let mut sky = Sky::new(7);
        let shares: Vec<f64> = (0..3 * 3600).map(|_| sky.second(at(12)) / clear_sky_w(at(12))).collect();
        assert!(shares.iter().any(|s| *s < 0.6), "no cloud in three hours");
        assert!(shares.iter().filter(|s| **s > 0.9).count() > 3600, "hardly any sun in three hours");
        let jump = shares.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f64::max);
        assert!(jump <= 0.041, "a cloud's edge takes its time: {jump}");
    }
}
