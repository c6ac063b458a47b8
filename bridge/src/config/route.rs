//! What comes on which topic, and what goes to which.

use overspill_rules::home::{ExtraKind, InputId, LoadId, PointId};
pub use overspill_rules::payload::Extract;
use overspill_rules::tariff::Side;

/// What a value is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Target {
    /// The value of a point.
    Point(PointId),
    /// A further quantity of a point's device.
    Extra(PointId, ExtraKind),
    /// Another input.
    Input(InputId),
    /// Whether something is plugged in at a load: yes or no.
    Plugged(LoadId),
    /// Whether a load is ready to take power: yes or no.
    Ready(LoadId),
    /// Whether the home is cut off from the grid: yes or no.
    Island,
    /// A list of prices.
    Prices(Side),
}

/// Where a message carries its own time.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TimeSource {
    /// A JSON Pointer (RFC 6901).
    pub pointer: String,
}

/// From one topic to one value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Route {
    /// The topic to listen to.
    pub topic: String,
    /// What the value is for.
    pub target: Target,
    /// How it is taken out of a message.
    pub extract: Extract,
    /// Where the message carries its own time.
    pub time: Option<TimeSource>,
    /// Words that mean yes, in small letters; empty where the value is a number.
    pub yes_words: Vec<String>,
}

/// Where the commands of a load go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CommandTopic {
    /// The load.
    pub load: LoadId,
    /// The topic.
    pub topic: String,
    /// Whether the broker keeps the command.
    pub retain: bool,
}

/// A Rhai expression of the home file, with its place, for whoever compiles it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Expression {
    /// Where it stands, as in `point.grid.script`.
    pub about: String,
    /// What it makes.
    pub makes: Makes,
    /// Its source.
    pub source: String,
    /// Its place in the home file, in bytes, quotes included.
    pub span: std::ops::Range<usize>,
}

/// What an expression makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Makes {
    /// A value out of a message.
    Value,
    /// A command out of a set-point.
    Command,
}
