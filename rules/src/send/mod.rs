//! From a command to the message that a load's device understands.

mod duty;
mod sender;
#[cfg(test)]
mod tests;

pub use duty::{Offered, amps_from_duty, duty_from_amps};
pub use sender::{Sender, encode};
