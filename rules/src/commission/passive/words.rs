//! What recorded readings prove and leave open, in words.

use crate::home::Home;

use super::super::suspect::Suspect;
use super::finding::{Held, Need, Proven};

impl Held {
    /// The word for it.
    pub fn word(&self) -> &'static str {
        match self {
            Held::Good => "good",
            Held::Wrong(_) => "wrong",
            Held::Open(_) => "open",
        }
    }
}

impl Proven {
    /// As the end of a list: "proven: its direction, ..".
    pub fn words(&self, home: &Home) -> String {
        match self {
            Proven::Direction => "its direction".to_owned(),
            Proven::Conductor => "its conductor".to_owned(),
            Proven::ScaleWith { point, ratio, steps } => format!(
                "its scale against `{}` ({:.2} to {:.2} W for each watt, by {steps} steps)",
                home.point(*point).id,
                ratio.0,
                ratio.1
            ),
        }
    }
}

impl Need {
    /// As a sentence.
    pub fn words(&self, home: &Home) -> String {
        match self {
            Need::Coordinates => {
                "Give `latitude` and `longitude` under [home]: without them nobody knows when it is dark, and what the \
                 dark would tell was left out."
                    .to_owned()
            }
            Need::Dark(more) => format!("Wait for {more} more of darkness with readings."),
            Need::Steps { of, seen_in, used, more } => format!(
                "Wait for about {more} more clear steps of `{}` to be seen in `{}`; {used} were usable.",
                home.point(*of).id,
                home.point(*seen_in).id
            ),
            Need::Readings(point) => format!("`{}` has no readings in this time.", home.point(*point).id),
            Need::Switching => {
                "More of the same readings would not tell: switch a known load, or the roof at its isolator, in a \
                 commissioning."
                    .to_owned()
            }
        }
    }
}

/// What would be wrong with one point, as a sentence.
pub fn supposed(home: &Home, point: crate::home::PointId, suspect: &Suspect) -> String {
    let causes: Vec<String> = suspect.causes.iter().map(|c| c.what()).collect();
    match causes.is_empty() {
        true => format!("`{}` is good", home.point(point).id),
        false => format!("`{}` {}", home.point(point).id, causes.join(", and ")),
    }
}
