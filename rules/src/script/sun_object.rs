//! `home.sun`: where the sun stands over the home.

use std::sync::Arc;

use rhai::{Engine, ImmutableString};

use super::clock::TimeOfDay;
use super::engine::Answer;
use super::trace::Evaluation;
use crate::sun::{self, SunDay, SunPosition};
use crate::time::{Span, WallTime};

/// `home.sun`.
#[derive(Debug, Clone)]
pub(super) struct SunObject(pub(super) Arc<Evaluation>);

/// A rule that reads the sun's place is woken this often: it moves by a quarter of a degree a minute.
const LOOK_EVERY: Span = Span::minutes(1);

/// Registers the sun.
pub(super) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<SunObject>("Sun");
    engine.register_get("elevation", |sun: &mut SunObject| sun.position().map(|p| p.elevation_deg));
    engine.register_get("azimuth", |sun: &mut SunObject| sun.position().map(|p| p.azimuth_deg));
    engine.register_get("is_up", |sun: &mut SunObject| sun.position().map(|p| p.is_up));
    engine.register_get("rises", |sun: &mut SunObject| sun.shown("rise", |day| day.rises));
    engine.register_get("sets", |sun: &mut SunObject| sun.shown("set", |day| day.sets));
}

impl SunObject {
    fn place(&self) -> Answer<(f64, f64)> {
        match self.0.home.coordinates {
            Some(place) => Ok(place),
            None => {
                let help = "write `latitude` and `longitude` in [home] of the home file".to_owned();
                self.0.fail("where the home is on earth is not known".to_owned(), Some(help))
            }
        }
    }

    fn position(&self) -> Answer<SunPosition> {
        let place = self.place()?;
        self.0.local()?;
        self.0.wake_in(LOOK_EVERY);
        match self.0.view.wall.and_then(|wall| sun::position(wall, place)) {
            Some(position) => Ok(position),
            None => self.0.wait("the clock is not set yet".to_owned()),
        }
    }

    /// The clock's time of an event of today, as times are written in rules.
    fn shown(&self, what: &str, event: fn(SunDay) -> Option<WallTime>) -> Answer<ImmutableString> {
        let place = self.place()?;
        let now = self.0.local()?;
        self.0.wake_at(self.0.around(&now, TimeOfDay::MIDNIGHT).next);
        let at = self.0.sun_day(&now, place).and_then(event).and_then(|at| at.in_zone(&self.0.view.zone));
        match at {
            Some(at) => Ok(format!("{:02}:{:02}", at.hour(), at.minute()).into()),
            None => self.0.wait(format!("the sun does not {what} today")),
        }
    }
}
