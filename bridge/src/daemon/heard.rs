//! What was last heard of each point and each other value, for whoever looks after the home.

use std::collections::BTreeMap;

use overspill_rules::home::{InputId, PointId};
use overspill_rules::input::{About, Input};
use overspill_rules::time::WallTime;

/// The last that was heard of one source.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Heard {
    /// When something came.
    pub at: Option<WallTime>,
    /// The number, as received.
    pub value: Option<f64>,
    /// How many numbers came since the start.
    pub count: u64,
    /// How many messages could not be read since the start, and why not the last of them.
    pub unreadable: Option<(u64, String)>,
}

/// The last that was heard of everything.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HeardOf {
    points: BTreeMap<PointId, Heard>,
    inputs: BTreeMap<InputId, Heard>,
}

impl HeardOf {
    /// Of a point.
    pub fn point(&self, id: PointId) -> Heard {
        self.points.get(&id).cloned().unwrap_or_default()
    }

    /// Of another value.
    pub fn input(&self, id: InputId) -> Heard {
        self.inputs.get(&id).cloned().unwrap_or_default()
    }

    /// Takes over what came in. A retained message is of unknown age, so that it counts as nothing heard.
    pub(super) fn take(&mut self, at: WallTime, input: &Input) {
        match input {
            Input::Reading(reading) if reading.extra.is_none() && !reading.retained => {
                self.points.entry(reading.point).or_default().number(at, reading.value);
            }
            Input::Other(other) if !other.retained => {
                self.inputs.entry(other.input).or_default().number(at, other.value);
            }
            Input::Unreadable { about: About::Point(id), why, .. } => {
                self.points.entry(*id).or_default().unreadable(why);
            }
            Input::Unreadable { about: About::Input(id), why, .. } => {
                self.inputs.entry(*id).or_default().unreadable(why);
            }
            _ => {}
        }
    }
}

impl Heard {
    fn number(&mut self, at: WallTime, value: f64) {
        (self.at, self.value) = (Some(at), Some(value));
        self.count += 1;
    }

    fn unreadable(&mut self, why: &str) {
        let before = self.unreadable.as_ref().map_or(0, |(count, _)| *count);
        self.unreadable = Some((before + 1, why.to_owned()));
    }
}
