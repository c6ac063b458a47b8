//! The recorded history drives the controller once more.
//!
//! Two ways: [`verify`] hands in exactly what was recorded and compares what comes out; the what-if puts other draws of
//! the loads into the readings, and tells what would have happened.

pub mod given;
mod imported;
mod needs;
mod prices;
mod progress;
pub mod text;
pub mod verify;
pub mod whatif;

pub use progress::Progress;
