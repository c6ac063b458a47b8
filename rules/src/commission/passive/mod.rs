//! The points judged from recorded readings alone, so that a home fitted years ago can be checked from a chair.
//!
//! Nothing is switched on purpose. What tells is: that a house uses power and never makes any, that a roof makes it by
//! daylight only, that the supply has a rating, and by how much one point moves when another does. Everything that could be
//! wrong with the home, one thing or two, is held against all of this; what can't be lets go.
//!
//! *Good* means that no single fault explains the readings. Two faults that cancel each other, and a scale that all points
//! share, can't be seen from readings alone: direction and place are proven, scales only against each other. Neither can
//! small disturbances by a neighbouring conductor.
//!
//! Steps of the house are taken to go up as often as down while something else moves; that is all that is asked of chance.

mod alone;
mod edges;
mod finding;
mod interval;
mod light;
mod sizes;
mod slope;
mod slots;
mod sources;
mod suppose;
mod together;
mod views;
mod watch;
mod words;

pub use finding::{Answer, Finding, Held, Need, PassiveReport, Proven};
pub use slots::Slots;
pub use watch::Watch;
pub use words::supposed;
