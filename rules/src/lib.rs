//! The thinking of Overspill: everything that decides, and nothing that reaches out.
//!
//! # The drive contract
//!
//! One input with its time goes in, then outputs are drained until the controller says when it next wants to be woken:
//!
//! ```text
//! controller.handle(now, input);                       // any number of inputs that share one time
//! while let Some(output) = controller.poll_output() {  // the last one is Output::WaitUntil(moment)
//!     ..
//! }
//! ```
//!
//! - `now` never goes back. Inputs with one stamp are taken together: the decision is made when outputs are polled.
//! - After `WaitUntil(t)` hand in [`input::Input::Wake`] at `t`, or another input before.
//! - There is no clock, file, socket, thread, randomness or container of unstable order in this crate: the same inputs
//!   give the same outputs, byte for byte. The daemon, the demo, rule tests, replay and the fault simulation all drive
//!   this one controller, so what was tested is what runs.

pub mod answers;
mod balance;
mod bounds;
pub mod commission;
pub mod controller;
pub mod energy;
pub mod home;
pub mod house;
pub mod input;
pub mod kept;
pub mod limits;
mod loads;
pub mod notices;
pub mod output;
pub mod payload;
mod reading;
pub mod recount;
pub mod request;
pub mod script;
pub mod send;
mod sharing;
pub mod sun;
pub mod tariff;
pub mod time;
pub mod whatif;

pub use controller::Controller;
