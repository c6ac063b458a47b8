//! What is switched to see the points answer.

use crate::home::LoadId;
use crate::time::{Span, WallTime};

/// What was switched.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum What {
    /// A resistive load of known rating, on this phase where the supply has three.
    TestLoad(Option<u8>),
    /// The solar source at its own isolator. Only switching off is judged: an inverter comes back after minutes, slowly.
    SolarOff,
    /// A controlled load, by command.
    Load(LoadId),
}

/// How much a step is, in watts, and how well that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Amount {
    /// What is expected; positive.
    pub watts: f64,
    /// The true amount is at least this share of it.
    pub low: f64,
    /// The true amount is at most this share of it.
    pub high: f64,
}

impl Amount {
    /// A heater of `rated_w` at `rated_volts`, used at `volts`: its power goes with their square. Ratings of heaters hold
    /// to -10 and +5 % (IEC 60335-1, from memory).
    pub fn resistive(rated_w: f64, rated_volts: f64, volts: f64) -> Amount {
        Amount { watts: rated_w * (volts / rated_volts).powi(2), low: 0.90, high: 1.05 }
    }

    /// A figure read from another display or instrument, right to `share` (0.1 is 10 %).
    pub fn read(watts: f64, share: f64) -> Amount {
        Amount { watts, low: 1.0 - share, high: 1.0 + share }
    }

    /// Nobody knows how much: `about_w` is only a scale to work with.
    pub fn unknown(about_w: f64) -> Amount {
        Amount { watts: about_w, low: 0.2, high: 5.0 }
    }
}

/// One switching.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Act {
    /// What.
    pub what: What,
    /// On or off; a solar source is only judged on switching off.
    pub on: bool,
    /// When.
    pub at: WallTime,
    /// How long until its effect is complete, and how wrong `at` may be.
    pub settle: Span,
    /// How much.
    pub amount: Amount,
}

impl Act {
    /// +1 where the flows of [`super::Flow`] are followed, -1 where they are undone.
    pub(super) fn sense(&self) -> f64 {
        match (self.what, self.on) {
            (What::SolarOff, _) | (_, true) => 1.0,
            (_, false) => -1.0,
        }
    }

    /// Whether it can be judged at all.
    pub(super) fn counts(&self) -> bool {
        let known = self.amount.watts.is_finite() && self.amount.watts > 0.0;
        known && !(self.what == What::SolarOff && self.on)
    }
}
