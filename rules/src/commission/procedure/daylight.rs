//! What the sun says of the roof's readings.

use crate::home::{Measures, PointId};
use crate::sun;
use crate::time::{Span, WallTime};

use super::machine::{Machine, Move};
use super::question::Answer;
use super::result::Made;
use super::world::World;

/// What a dark roof may read, in watts: an inverter at rest takes a few.
const DARK_W: f64 = 25.0;

/// Day and night, as far as this hour tells.
#[derive(Default)]
pub(super) struct Daylight {
    until: Option<WallTime>,
}

impl Machine for Daylight {
    fn next(&mut self, world: &mut World) -> Move {
        let until = *self.until.get_or_insert(world.now + Span::seconds(60));
        let heard = world.home.points_measuring(Measures::Solar).all(|p| world.fresh(p).is_some());
        if !heard && world.now < until {
            return Move::Wait(until, "a reading of the roof".to_owned());
        }
        Move::Finish(daylight(world))
    }

    fn answer(&mut self, _: &mut World, _: Answer) {}
}

const BY_HISTORY: &str = "Let the daemon record a day and a night, then run this command with --from and --to: it completes this step.";

fn daylight(world: &World) -> Made {
    let Some(place) = world.home.coordinates else {
        return Made::open(
            "The home file does not say where the home is.",
            "Write `latitude` and `longitude` below [home]; then a day and a night of readings complete this step.",
        );
    };
    let Some(sun) = sun::position(world.now, place) else {
        return Made::open(
            "The sun can't be worked out for this place and time.",
            "See `latitude` and `longitude`.",
        );
    };
    let roofs = world.home.points_measuring(Measures::Solar);
    let readings: Vec<(PointId, f64)> = roofs.filter_map(|p| Some((p, world.fresh(p)?))).collect();
    let (now, other) = match sun.elevation_deg {
        h if h < NIGHT_DEG => (NIGHT, DAY),
        h if h > DAY_DEG => (DAY, NIGHT),
        _ => return Made::open("The sun is too low to tell day from night.", BY_HISTORY),
    };
    let made = if readings.is_empty() {
        Made::open("The roof's reading is missing.", "See that it is heard, and repeat.")
    } else if let Some((point, watts)) = readings.iter().find(|(_, w)| is_wrong(now, *w)) {
        let what =
            if now == NIGHT { "a roof makes nothing at night" } else { "a roof does not take power by day" };
        Made::wrong(
            format!("`{}` reads {watts:.0} W {now}: {what}.", world.name(*point)),
            "See the verdict on this point, and what its clamp really encloses.",
        )
    } else if now == DAY && readings.iter().all(|(_, w)| *w < DARK_W) {
        Made::open("It is day, and the roof gives nothing to judge by.", BY_HISTORY)
    } else if world.daylight.iter().any(|r| r.name.ends_with(other)) {
        Made::good("It gives power by day and none by night.")
    } else {
        let what =
            if now == DAY { "The roof gives power by day." } else { "The roof gives nothing by night." };
        Made::open(format!("{what} It is still to be seen {other}."), BY_HISTORY)
    };
    let kept = world.daylight.iter().filter(|r| r.name.ends_with(other)).cloned();
    let mut made =
        readings.iter().fold(made, |m, (p, w)| m.read(format!("{} {now}", world.name(*p)), *w, "W"));
    made.readings.extend(kept);
    made
}

/// Below this height of the sun, in degrees, it is night: the end of civil twilight.
const NIGHT_DEG: f64 = -6.0;

/// From this height on a roof gives something.
const DAY_DEG: f64 = 8.0;

const NIGHT: &str = "by night";
const DAY: &str = "by day";

fn is_wrong(when: &str, watts: f64) -> bool {
    if when == NIGHT { watts.abs() > DARK_W } else { watts < -DARK_W }
}
